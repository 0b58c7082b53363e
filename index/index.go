package index

import (
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"sync"
	"sync/atomic"
	"time"

	"github.com/blevesearch/bleve/v2"
	"github.com/blevesearch/bleve/v2/index/scorch"

	"sideport/annotate"
	"sideport/annotate/terms"
)

// Index is the search index in one folder. It may be searched by many at once
// while one caller applies changes.
type Index struct {
	b    bleve.Index
	v    *terms.Vocabulary
	log  *slog.Logger
	seq  atomic.Uint64
	disk sync.WaitGroup // batches that have not reached the disk
}

// Keys of what the index says of itself.
var (
	seqKey  = []byte("sideport:seq")
	formKey = []byte("sideport:form")
)

// settings of the store below. Batches need not reach the disk at once: the
// change number is in the same snapshot as the documents, so after a crash the
// index is at an earlier number and the caller applies what came later.
func settings() map[string]any {
	return map[string]any{"unsafe_batch": true, "bolt_timeout": "3s"}
}

// Open opens the index in dir, or makes a new one there. Rebuild says that it is
// new: it was missing, damaged, unfinished, or made in another way. It is then
// empty, [Index.Seq] is 0, and the caller applies all cases. An old folder is
// removed. A folder that another process holds is a fault that says so.
func Open(dir string, v *terms.Vocabulary, log *slog.Logger) (x *Index, rebuild bool, err error) {
	m, err := newMapping()
	if err != nil {
		return nil, false, err
	}
	form, err := fingerprint(m, v)
	if err != nil {
		return nil, false, err
	}
	x = &Index{v: v, log: log}
	b, why := openSound(dir, form)
	if errors.Is(why, errHeld) {
		return nil, false, annotate.Faultf(annotate.Busy, "The search index in %s is in use by another process; stop that one first.", dir)
	}
	if why == nil {
		x.b = b
		x.seq.Store(readSeq(b))
		return x, false, nil
	}
	if !errors.Is(why, errMissing) {
		log.Warn("search index is made anew", "folder", dir, "because", why)
	}
	if err := os.RemoveAll(dir); err != nil {
		return nil, false, fmt.Errorf("remove the old search index: %w", err)
	}
	if x.b, err = bleve.NewUsing(dir, m, scorch.Name, scorch.Name, settings()); err != nil {
		return nil, false, fmt.Errorf("make the search index: %w", err)
	}
	if err := x.b.SetInternal(formKey, []byte(form)); err != nil {
		return nil, false, fmt.Errorf("mark the search index: %w", err)
	}
	return x, true, nil
}

func readSeq(b bleve.Index) uint64 {
	v, err := b.GetInternal(seqKey)
	if err != nil || len(v) != 8 {
		return 0
	}
	return binary.BigEndian.Uint64(v)
}

// Seq is the number of the change that the index was last derived from.
func (x *Index) Seq() uint64 { return x.seq.Load() }

// patience is how long closing waits for the disk. What is not written by then
// is derived again at the next start.
const patience = 10 * time.Second

// Close writes what is left and lets go of the folder.
func (x *Index) Close() error {
	written := make(chan struct{})
	go func() {
		x.disk.Wait()
		close(written)
	}()
	select {
	case <-written:
	case <-time.After(patience):
		x.log.Warn("search index closed before all of it was on disk; the rest is derived again at the next start")
	}
	if err := x.b.Close(); err != nil {
		return fmt.Errorf("close the search index: %w", err)
	}
	return nil
}

// Apply brings the index to change number seq in one step: the documents of the
// cases in put are replaced as a whole, those in drop removed. Cases whose
// consent is withdrawn are removed too. While cases are applied in several steps
// after a rebuild, all but the last give seq 0: an index at 0 counts as unfinished and
// is made anew when it is next opened.
func (x *Index) Apply(ctx context.Context, seq uint64, put []annotate.Case, drop []string) error {
	batch := x.b.NewBatch()
	latest := map[string]*annotate.Case{}
	for i := range put {
		latest[put[i].ID] = &put[i]
	}
	for _, id := range drop {
		if err := x.remove(ctx, batch, id); err != nil {
			return err
		}
		delete(latest, id)
	}
	for i := range put {
		c := &put[i]
		if latest[c.ID] != c {
			continue
		}
		if err := x.put(ctx, batch, c); err != nil {
			return err
		}
	}
	batch.SetInternal(seqKey, binary.BigEndian.AppendUint64(nil, seq))
	x.disk.Add(1)
	batch.SetPersistedCallback(func(err error) {
		if err != nil {
			x.log.Error("search index not written to disk; it is derived again at the next start", "err", err)
		}
		x.disk.Done()
	})
	if err := x.b.Batch(batch); err != nil {
		x.disk.Done()
		return fmt.Errorf("write the search index: %w", err)
	}
	x.seq.Store(seq)
	return nil
}

// put replaces a case's documents.
func (x *Index) put(ctx context.Context, batch *bleve.Batch, c *annotate.Case) error {
	if err := x.remove(ctx, batch, c.ID); err != nil {
		return err
	}
	if len(scopesOf(c)) == 0 {
		return nil
	}
	whole, moments := documents(c, x.v)
	fields := whole.fields()
	fields[fRev] = float64(c.Rev)
	if err := batch.Index(c.ID, fields); err != nil {
		return fmt.Errorf("index case %s: %w", c.ID, err)
	}
	for i, m := range moments {
		fields, err := m.fields()
		if err != nil {
			return err
		}
		if err := batch.Index(idOf(c.ID, i, m.class()), fields); err != nil {
			return fmt.Errorf("index case %s: %w", c.ID, err)
		}
	}
	return nil
}

// remove deletes whatever documents a case has.
func (x *Index) remove(ctx context.Context, batch *bleve.Batch, id string) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	const many = 100_000
	r := bleve.NewSearchRequestOptions(termQuery(fCase, id), many, 0, false)
	r.Score = "none"
	found, err := x.b.SearchInContext(ctx, r)
	if err != nil {
		return fmt.Errorf("find the documents of case %s: %w", id, err)
	}
	for _, h := range found.Hits {
		batch.Delete(h.ID)
	}
	return nil
}
