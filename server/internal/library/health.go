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
	known := map[string]stand{}
	busy, err := l.known(ctx, &rep, known)
	if err != nil {
		return rep, err
	}
	err = vault.EachHash(ctx, func(hash string, size int64) error {
		rep.Files, rep.Bytes = rep.Files+1, rep.Bytes+size
		k, ok := known[hash]
		if !ok && busy {
			return ctx.Err() // it may be of the film that is being prepared
		}
		if !ok {
			rep.add(true, "file %s belongs to no case; it takes %d bytes", short(hash), size)
			return ctx.Err()
		}
		if err := vault.Verify(ctx, hash); err != nil && ctx.Err() == nil {
			l.damaged(&rep, hash, k, err)
		}
		delete(known, hash)
		return ctx.Err()
	})
	for hash, k := range known {
		rep.add(false, "file %s of case %s is not in the vault. Restore it from a backup", short(hash), k.caseID)
	}
	if rep.Problems == nil {
		rep.Problems = []annotate.Problem{}
	}
	return rep, err
}

// stand is a file that a case stands on.
type stand struct {
	caseID  string
	derived bool // made from an original, and made again where it is missing
}

// damaged takes out a derived file, so that it is made again; of an original
// only a backup has another.
func (l *Library) damaged(rep *Report, hash string, k stand, err error) {
	if !k.derived {
		rep.add(false, "file %s of case %s is damaged: %v. Restore it from a backup", short(hash), k.caseID, err)
		return
	}
	if err := l.Files.Remove(hash); err != nil {
		rep.add(false, "file %s, made for case %s, is damaged and could not be removed: %v", short(hash), k.caseID, err)
		return
	}
	rep.add(true, "file %s, made for case %s, was damaged; it was removed and is made again when it is asked for", short(hash), k.caseID)
}

func (r *Report) add(warning bool, say string, args ...any) {
	r.Problems = append(r.Problems, annotate.Problem{Warning: warning, Say: fmt.Sprintf(say, args...)})
}

// known gathers the files that the cases stand on. A derived file that is gone
// is no damage: it is made again.
// Busy says that files are just being made that no case knows of yet.
func (l *Library) known(ctx context.Context, rep *Report, known map[string]stand) (busy bool, err error) {
	err = l.Shelf.EachCase(ctx, func(c annotate.Case) error {
		rep.Cases++
		made, err := l.Shelf.Prepared(ctx, c.ID)
		if err != nil {
			return err
		}
		for _, p := range made {
			busy = busy || p.State == "working"
		}
		originals, derived := hashes(c, made)
		for h := range derived {
			if _, original := known[h]; !original && l.have(h) {
				known[h] = stand{c.ID, true}
			}
		}
		for h := range originals {
			known[h] = stand{c.ID, false}
		}
		return nil
	})
	return busy, err
}
