package store

import (
	"context"
	"fmt"
	"strings"

	"go.etcd.io/bbolt"

	"sideport/annotate"
)

// Check looks at everything: the file's own structure, that every value can be
// read and lies under its own key, that every case keeps the rules, that
// nothing hangs on a case that is gone, and that the change log has no holes.
// Writers wait meanwhile. An empty answer is a sound library.
func (s *Store) Check(ctx context.Context) ([]annotate.Problem, error) {
	s.writing.Lock()
	defer s.writing.Unlock()
	k := &check{ctx: ctx}
	err := s.view(ctx, func(tx *bbolt.Tx) error {
		for err := range tx.Check() {
			k.add(fileName, "%v; bring back a backup with sideport restore", err)
		}
		if len(k.found) > 0 {
			return nil // what follows would read what is not there
		}
		return k.all(tx)
	})
	return k.found, err
}

type check struct {
	ctx   context.Context
	found []annotate.Problem
	known map[string]bool // bucket and key of all that the cases speak of
	last  uint64          // number of the last change
}

func (k *check) add(path, say string, args ...any) {
	k.found = append(k.found, annotate.Problem{Path: path, Say: fmt.Sprintf(say, args...)})
}

func (k *check) all(tx *bbolt.Tx) error {
	k.known = map[string]bool{}
	for _, part := range []func(*bbolt.Tx) error{k.changes, k.cases, k.hanging, k.prepared} {
		if err := part(tx); err != nil {
			return err
		}
	}
	return nil
}

func (k *check) changes(tx *bbolt.Tx) error {
	err := each(k.ctx, tx, changesBucket, nil, func(key, v []byte) error {
		k.last++
		path := fmt.Sprintf("change %d", k.last)
		if n, err := readNumber(key); err != nil || n != k.last {
			k.add(path, "the change log has a hole: key %x follows change %d", key, k.last-1)
			k.last = max(n, k.last)
		}
		if err := entryIsWhole(key, v); err != nil {
			k.add(path, "%v", err)
		}
		return nil
	})
	if n := tx.Bucket([]byte(changesBucket)).Sequence(); n != k.last {
		k.add("changes", "the log counts %d changes and ends at %d", n, k.last)
	}
	return err
}

func (k *check) cases(tx *bbolt.Tx) error {
	return each(k.ctx, tx, casesBucket, nil, func(key, _ []byte) error {
		id, path := string(key), "case "+string(key)
		c, err := readCase(tx, id)
		if err == nil {
			err = readCues(tx, &c)
		}
		if err != nil {
			k.add(path, "%v", err)
			return nil
		}
		k.oneCase(path, id, c)
		return nil
	})
}

func (k *check) oneCase(path, id string, c annotate.Case) {
	if c.ID != id {
		k.add(path, "the case %s lies under another's key", c.ID)
	}
	if err := checkIDs(c); err != nil {
		k.add(path, "%v", err)
	}
	if c.Rev == 0 || c.Rev > k.last {
		k.add(path, "its rev %d is of no change", c.Rev)
	}
	for _, p := range annotate.Errors(c.Check()) {
		k.add(path+": "+p.Path, "%s", p.Say)
	}
	for _, n := range c.Notes {
		k.knows(notesBucket, noteKey(id, n.ID))
		if n.Rev == 0 || n.Rev > c.Rev {
			k.add(path+": note "+n.ID, "its rev %d does not go with the case's, %d", n.Rev, c.Rev)
		}
	}
	for i, r := range c.Recordings {
		k.knows(recordingsBucket, recordingKey(id, i))
		k.knows(preparedBucket, preparedKey(id, r.ID))
		for _, t := range r.Captions {
			k.knows(captionsBucket, captionsKey(id, r.ID, t.Language))
		}
	}
}

func (k *check) knows(bucket string, key []byte) { k.known[bucket+" "+string(key)] = true }

// hanging looks for values whose case, recording or track is gone, or that lie
// under a key that is not theirs.
func (k *check) hanging(tx *bbolt.Tx) error {
	for _, bucket := range []string{recordingsBucket, captionsBucket, notesBucket, preparedBucket} {
		err := each(k.ctx, tx, bucket, nil, func(key, _ []byte) error {
			if id, _, _ := strings.Cut(string(key), "/"); !k.known[bucket+" "+string(key)] {
				k.add(bucket+" "+string(key), "the case %s does not speak of it", id)
			}
			return nil
		})
		if err != nil {
			return err
		}
	}
	return nil
}

func (k *check) prepared(tx *bbolt.Tx) error {
	return each(k.ctx, tx, preparedBucket, nil, func(key, v []byte) error {
		if _, err := decode[annotate.Prepared]("", v); err != nil {
			k.add("prepared "+string(key), "%v", err)
		}
		return nil
	})
}
