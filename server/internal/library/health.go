package library

import (
	"context"
	"fmt"

	"sideport/annotate"
)

// Checker looks a store over from the inside.
type Checker interface {
	Check(ctx context.Context) ([]annotate.Problem, error)
}

// Shelves are the files of the vault, one by one.
type Shelves interface {
	EachHash(ctx context.Context, fn func(hash string, size int64) error) error
	Verify(ctx context.Context, hash string) error
}

// Report is what a check found.
type Report struct {
	Cases    int                `json:"cases"`
	Files    int                `json:"files"`
	Bytes    int64              `json:"bytes"`
	Change   uint64             `json:"change"`   // last change of the store
	Indexed  uint64             `json:"indexed"`  // change that the index has reached
	Problems []annotate.Problem `json:"problems"` // warnings can wait
}

// Check holds the store, the vault and the index against one another. Every
// file is read through and its hash computed again.
func (l *Library) Check(ctx context.Context, store Checker, vault Shelves) (Report, error) {
	var rep Report
	var err error
	if rep.Problems, err = store.Check(ctx); err != nil {
		return rep, err
	}
	if rep.Change, err = l.Shelf.LastSeq(ctx); err != nil {
		return rep, err
	}
	rep.Indexed = l.Finder.Seq()
	if rep.Indexed > rep.Change {
		rep.add(false, "the index speaks of change %d, which the store does not have: run sideport reindex", rep.Indexed)
	}
	known := map[string]string{} // hash to case
	if err := l.known(ctx, &rep, known); err != nil {
		return rep, err
	}
	err = vault.EachHash(ctx, func(hash string, size int64) error {
		rep.Files, rep.Bytes = rep.Files+1, rep.Bytes+size
		if known[hash] == "" {
			rep.add(true, "file %s belongs to no case; it takes %d bytes", short(hash), size)
			return ctx.Err()
		}
		if err := vault.Verify(ctx, hash); err != nil && ctx.Err() == nil {
			rep.add(false, "file %s of case %s is damaged: %v. Restore it from a backup", short(hash), known[hash], err)
		}
		delete(known, hash)
		return ctx.Err()
	})
	for hash, id := range known {
		rep.add(false, "file %s of case %s is not in the vault. Restore it from a backup", short(hash), id)
	}
	if rep.Problems == nil {
		rep.Problems = []annotate.Problem{}
	}
	return rep, err
}

func (r *Report) add(warning bool, say string, args ...any) {
	r.Problems = append(r.Problems, annotate.Problem{Warning: warning, Say: fmt.Sprintf(say, args...)})
}

// known gathers the files that the cases stand on. A derived file that is gone
// is no damage: it is made again.
func (l *Library) known(ctx context.Context, rep *Report, known map[string]string) error {
	return l.Shelf.EachCase(ctx, func(c annotate.Case) error {
		rep.Cases++
		made, err := l.Shelf.Prepared(ctx, c.ID)
		if err != nil {
			return err
		}
		originals, derived := hashes(c, made)
		for h := range originals {
			known[h] = c.ID
		}
		for h := range derived {
			if l.have(h) {
				known[h] = c.ID
			}
		}
		return nil
	})
}
