package library

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"sync"
	"testing"

	"sideport/annotate"
	"sideport/annotate/consent"
	"sideport/annotate/terms"
)

// world is everything around a library, small enough to be looked over, in
// which any call can be made to fail.
type world struct {
	*Library
	dir     string // a file a hash
	scratch string

	mu       sync.Mutex
	cases    map[string]annotate.Case
	prepared map[string]map[string]annotate.Prepared
	changes  []annotate.Change
	jobs     []string // subjects
	finder   *finder
	ids      int

	calls []string          // in order
	fail  func(n int) error // of the n-th call, from 0
	hook  map[string]func() // after a call of that name, unlocked
	wake  chan struct{}     // what Watch gives
}

var (
	curator = consent.Viewer{Account: "c", Role: consent.Curator}
	trainee = consent.Viewer{Account: "t", Role: consent.Trainee}
)

func newWorld(t *testing.T) *world {
	t.Helper()
	v, err := terms.Load("cataract")
	if err != nil {
		t.Fatal(err)
	}
	w := &world{dir: t.TempDir(), scratch: t.TempDir(), cases: map[string]annotate.Case{}, prepared: map[string]map[string]annotate.Prepared{},
		hook: map[string]func(){}, wake: make(chan struct{}, 1)}
	w.finder = &finder{w: w, docs: map[string]annotate.Case{}}
	w.Library = New(Parts{Shelf: shelf{w}, Files: files{w}, Media: tools{w}, Jobs: queue{w}, Finder: w.finder, Vocabulary: v,
		Log: slog.New(slog.DiscardHandler), NewID: func() string { w.ids++; return fmt.Sprintf("id%d", w.ids) }})
	return w
}

// call counts a call and says whether it is to fail.
func (w *world) call(ctx context.Context, name string) error {
	w.mu.Lock()
	n := len(w.calls)
	w.calls = append(w.calls, name)
	fail, hook := w.fail, w.hook[name]
	w.mu.Unlock()
	if hook != nil {
		hook()
	}
	if fail != nil {
		if err := fail(n); err != nil {
			return fmt.Errorf("%s: %w", name, err)
		}
	}
	return ctx.Err()
}

// stored lists the vault's hashes.
func (w *world) stored(t *testing.T) []string {
	t.Helper()
	entries, err := os.ReadDir(w.dir)
	if err != nil {
		t.Fatal(err)
	}
	var out []string
	for _, e := range entries {
		out = append(out, e.Name())
	}
	return out
}

// nothingLeft holds the vault against what the cases stand on.
func (w *world) nothingLeft(t *testing.T) {
	t.Helper()
	known := map[string]bool{}
	for id, c := range w.cases {
		originals, others := hashes(c, w.prepared[id])
		maps.Copy(known, originals)
		maps.Copy(known, others)
	}
	for _, h := range w.stored(t) {
		if !known[h] {
			t.Errorf("file %s was left behind", short(h))
		}
		delete(known, h)
	}
	for h := range known {
		t.Errorf("file %s is not there", short(h))
	}
	if left, err := os.ReadDir(w.scratch); err != nil || len(left) > 0 {
		t.Errorf("scratch folders were left behind: %v, %v", left, err)
	}
}

func clone[T any](v T) T {
	b, err := json.Marshal(v)
	if err != nil {
		panic(err)
	}
	var out T
	if err := json.Unmarshal(b, &out); err != nil {
		panic(err)
	}
	return out
}

// shelf keeps cases in memory.
type shelf struct{ w *world }

func (s shelf) Apply(ctx context.Context, by string, e annotate.Edit) (annotate.Change, error) {
	if err := s.w.call(ctx, "Apply"); err != nil {
		return annotate.Change{}, err
	}
	s.w.mu.Lock()
	defer s.w.mu.Unlock()
	was := s.w.cases[e.Case]
	c, err := e.Apply(clone(was))
	if err != nil {
		return annotate.Change{}, err
	}
	ch := annotate.Change{Seq: uint64(len(s.w.changes) + 1), By: by, Action: e.Action(), Case: e.Case}
	s.w.changes = append(s.w.changes, ch)
	if e.Drop {
		delete(s.w.cases, e.Case)
		delete(s.w.prepared, e.Case)
		return ch, nil
	}
	c.Rev = ch.Seq
	for i, n := range c.Notes {
		if _, ok := was.Note(n.ID); !ok || e.PutNote != nil && e.PutNote.ID == n.ID {
			c.Notes[i].Rev = ch.Seq
		}
	}
	s.w.cases[e.Case] = clone(c)
	return ch, nil
}

func (s shelf) Case(ctx context.Context, id string) (annotate.Case, error) {
	if err := s.w.call(ctx, "Case"); err != nil {
		return annotate.Case{}, err
	}
	s.w.mu.Lock()
	defer s.w.mu.Unlock()
	c, ok := s.w.cases[id]
	if !ok {
		return annotate.Case{}, annotate.Faultf(annotate.Missing, "There is no case %s.", id)
	}
	return clone(c), nil
}

func (s shelf) EachCase(ctx context.Context, fn func(annotate.Case) error) error {
	if err := s.w.call(ctx, "EachCase"); err != nil {
		return err
	}
	s.w.mu.Lock()
	all := slices.SortedFunc(maps.Values(s.w.cases), func(a, b annotate.Case) int { return cmp.Compare(a.ID, b.ID) })
	s.w.mu.Unlock()
	for _, c := range all {
		if err := fn(clone(c)); err != nil {
			return err
		}
	}
	return nil
}

func (s shelf) Count(context.Context) (int, error) { return len(s.w.cases), nil }

func (s shelf) Changes(ctx context.Context, after uint64, limit int) ([]annotate.Change, error) {
	if err := s.w.call(ctx, "Changes"); err != nil {
		return nil, err
	}
	s.w.mu.Lock()
	defer s.w.mu.Unlock()
	rest := s.w.changes[min(int(after), len(s.w.changes)):]
	return slices.Clone(rest[:min(limit, len(rest))]), nil
}

func (s shelf) LastSeq(ctx context.Context) (uint64, error) {
	return uint64(len(s.w.changes)), s.w.call(ctx, "LastSeq")
}

func (s shelf) Uses(ctx context.Context, hash string) (bool, error) {
	if err := s.w.call(ctx, "Uses"); err != nil {
		return false, err
	}
	s.w.mu.Lock()
	defer s.w.mu.Unlock()
	for _, c := range s.w.cases {
		if originals, _ := hashes(c, nil); originals[hash] {
			return true, nil
		}
	}
	return false, nil
}

func (s shelf) Prepared(ctx context.Context, id string) (map[string]annotate.Prepared, error) {
	if err := s.w.call(ctx, "Prepared"); err != nil {
		return nil, err
	}
	s.w.mu.Lock()
	defer s.w.mu.Unlock()
	return clone(s.w.prepared[id]), nil
}

func (s shelf) SetPrepared(ctx context.Context, id, recording string, p annotate.Prepared) error {
	if err := s.w.call(ctx, "SetPrepared"); err != nil {
		return err
	}
	s.w.mu.Lock()
	defer s.w.mu.Unlock()
	c := s.w.cases[id]
	if _, ok := c.Recording(recording); !ok {
		return annotate.Faultf(annotate.Missing, "There is no recording %s in case %s.", recording, id)
	}
	if s.w.prepared[id] == nil {
		s.w.prepared[id] = map[string]annotate.Prepared{}
	}
	s.w.prepared[id][recording] = clone(p)
	return nil
}

func (s shelf) EachPrepared(ctx context.Context, fn func(string, string, annotate.Prepared) error) error {
	if err := s.w.call(ctx, "EachPrepared"); err != nil {
		return err
	}
	s.w.mu.Lock()
	all := clone(s.w.prepared)
	s.w.mu.Unlock()
	for id, recs := range all {
		for rec, p := range recs {
			if err := fn(id, rec, p); err != nil {
				return err
			}
		}
	}
	return nil
}

func (s shelf) Watch(context.Context) <-chan struct{} { return s.w.wake }

// folderOf writes the files of a case, pairs of name and content.
func folderOf(t *testing.T, names ...string) string {
	t.Helper()
	dir := t.TempDir()
	for i := 0; i+1 < len(names); i += 2 {
		path := filepath.Join(dir, names[i])
		if err := errors.Join(os.MkdirAll(filepath.Dir(path), 0o700), os.WriteFile(path, []byte(names[i+1]), 0o600)); err != nil {
			t.Fatal(err)
		}
	}
	return dir
}

var errDisk = errors.New("the disk is on fire")
