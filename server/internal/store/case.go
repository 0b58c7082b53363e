package store

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"reflect"
	"slices"

	"go.etcd.io/bbolt"

	"sideport/annotate"
)

// Case reads a case whole. It is a Missing [annotate.Fault] when there is none.
func (s *Store) Case(ctx context.Context, id string) (annotate.Case, error) {
	var c annotate.Case
	err := s.view(ctx, func(tx *bbolt.Tx) (err error) {
		if c, err = readCase(tx, id); err != nil {
			return err
		}
		return readCues(tx, &c)
	})
	if err == nil && c.ID == "" {
		err = annotate.Faultf(annotate.Missing, "There is no case %s.", id)
	}
	if err != nil {
		return annotate.Case{}, err
	}
	return c, nil
}

// EachCase calls fn with every case in the order of their ids, each as it is
// when its turn comes. No transaction is open meanwhile: fn may use the store.
// To follow on from there, ask LastSeq first and Changes after.
func (s *Store) EachCase(ctx context.Context, fn func(annotate.Case) error) error {
	ids, err := s.caseIDs(ctx)
	if err != nil {
		return err
	}
	for _, id := range ids {
		c, err := s.Case(ctx, id)
		if annotate.CauseOf(err) == annotate.Missing {
			continue // removed since
		}
		if err != nil {
			return err
		}
		if err := fn(c); err != nil {
			return err
		}
	}
	return nil
}

func (s *Store) caseIDs(ctx context.Context) (ids []string, err error) {
	err = s.view(ctx, func(tx *bbolt.Tx) error {
		return each(ctx, tx, casesBucket, nil, func(k, _ []byte) error {
			ids = append(ids, string(k))
			return nil
		})
	})
	return ids, err
}

// Count is the number of cases.
func (s *Store) Count(ctx context.Context) (n int, err error) {
	ids, err := s.caseIDs(ctx)
	return len(ids), err
}

// Uses says whether any case holds hash as a recording's original or a still.
func (s *Store) Uses(ctx context.Context, hash string) (used bool, err error) {
	// Quoted like this the bytes occur in no value's words: quotes are escaped there.
	needle, err := json.Marshal(struct {
		Hash string `json:"hash"`
	}{hash})
	if err != nil {
		return false, err
	}
	needle = bytes.Trim(needle, "{}")
	look := func(_, v []byte) error {
		used = used || bytes.Contains(v, needle)
		return nil
	}
	err = s.view(ctx, func(tx *bbolt.Tx) error {
		if err := each(ctx, tx, recordingsBucket, nil, look); err != nil || used {
			return err
		}
		return each(ctx, tx, casesBucket, nil, look)
	})
	return used, err
}

// readCase reads a case without its cues; the zero Case where there is none.
func readCase(tx *bbolt.Tx, id string) (c annotate.Case, err error) {
	v := tx.Bucket([]byte(casesBucket)).Get(caseKey(id))
	if v == nil {
		return c, nil
	}
	if c, err = decode[annotate.Case]("case "+id, v); err != nil {
		return annotate.Case{}, err
	}
	c.Recordings, err = readAll[annotate.Recording](tx, recordingsBucket, id)
	if err != nil {
		return annotate.Case{}, err
	}
	if c.Notes, err = readAll[annotate.Note](tx, notesBucket, id); err != nil {
		return annotate.Case{}, err
	}
	c.SortNotes()
	return c, nil
}

func readAll[T any](tx *bbolt.Tx, bucket, id string) (all []T, err error) {
	err = each(context.Background(), tx, bucket, insideKey(id), func(k, v []byte) error {
		one, err := decode[T](bucket+" "+string(k), v)
		all = append(all, one)
		return err
	})
	return all, err
}

func readCues(tx *bbolt.Tx, c *annotate.Case) (err error) {
	b := tx.Bucket([]byte(captionsBucket))
	for i, r := range c.Recordings {
		for j, t := range r.Captions {
			v := b.Get(captionsKey(c.ID, r.ID, t.Language))
			if v == nil {
				continue
			}
			if c.Recordings[i].Captions[j].Cues, err = decode[[]annotate.Cue]("captions "+r.ID+" of case "+c.ID, v); err != nil {
				return err
			}
		}
	}
	return nil
}

// writeCase writes what differs between before and after. In both a track
// without cues is one that stays as it is.
func writeCase(tx *bbolt.Tx, before, after annotate.Case) error {
	if err := put(tx, casesBucket, caseKey(after.ID), head(after)); err != nil {
		return err
	}
	if err := writeNotes(tx, after.ID, before.Notes, after.Notes); err != nil {
		return err
	}
	return writeRecordings(tx, after.ID, before.Recordings, after.Recordings)
}

func writeNotes(tx *bbolt.Tx, id string, before, after []annotate.Note) error {
	gone := map[string]annotate.Note{}
	for _, n := range before {
		gone[n.ID] = n
	}
	for _, n := range after {
		old, ok := gone[n.ID]
		delete(gone, n.ID)
		if ok && reflect.DeepEqual(old, n) {
			continue
		}
		if err := put(tx, notesBucket, noteKey(id, n.ID), n); err != nil {
			return err
		}
	}
	for note := range gone {
		if err := tx.Bucket([]byte(notesBucket)).Delete(noteKey(id, note)); err != nil {
			return err
		}
	}
	return nil
}

func writeRecordings(tx *bbolt.Tx, id string, before, after []annotate.Recording) error {
	cues := tx.Bucket([]byte(captionsBucket))
	for i, r := range after {
		var old annotate.Recording
		if i < len(before) {
			old = before[i]
		}
		for _, t := range old.Captions {
			if !slices.ContainsFunc(r.Captions, func(n annotate.Track) bool { return n.Language == t.Language }) {
				if err := cues.Delete(captionsKey(id, old.ID, t.Language)); err != nil {
					return err
				}
			}
		}
		for _, t := range r.Captions {
			if len(t.Cues) == 0 {
				continue
			}
			if err := put(tx, captionsBucket, captionsKey(id, r.ID, t.Language), t.Cues); err != nil {
				return err
			}
		}
		if lean := withoutCues(r); !reflect.DeepEqual(lean, old) {
			if err := put(tx, recordingsBucket, recordingKey(id, i), lean); err != nil {
				return err
			}
		}
	}
	return nil
}

// dropCase removes a case and all that hangs on it.
func dropCase(tx *bbolt.Tx, id string) error {
	for _, bucket := range []string{recordingsBucket, captionsBucket, notesBucket, preparedBucket} {
		b, c := tx.Bucket([]byte(bucket)), tx.Bucket([]byte(bucket)).Cursor()
		// Seek anew each time: a cursor may skip a key after a removal.
		for k, _ := c.Seek(insideKey(id)); bytes.HasPrefix(k, insideKey(id)); k, _ = c.Seek(insideKey(id)) {
			if err := b.Delete(k); err != nil {
				return err
			}
		}
	}
	return tx.Bucket([]byte(casesBucket)).Delete(caseKey(id))
}

// head is the case without its notes and recordings.
func head(c annotate.Case) annotate.Case {
	c.Notes, c.Recordings = nil, nil
	return c
}

// lean is the case without its notes and cues.
func lean(c annotate.Case) annotate.Case {
	c.Notes, c.Recordings = nil, slices.Clone(c.Recordings)
	for i, r := range c.Recordings {
		c.Recordings[i] = withoutCues(r)
	}
	return c
}

func withoutCues(r annotate.Recording) annotate.Recording {
	r.Captions = slices.Clone(r.Captions)
	for i := range r.Captions {
		r.Captions[i].Cues = nil
	}
	return r
}

// each calls fn with the values whose keys begin with prefix, in order. fn
// must not keep k or v, nor change the bucket.
func each(ctx context.Context, tx *bbolt.Tx, bucket string, prefix []byte, fn func(k, v []byte) error) error {
	return eachIn(ctx, tx.Bucket([]byte(bucket)), prefix, fn)
}

func eachIn(ctx context.Context, b *bbolt.Bucket, prefix []byte, fn func(k, v []byte) error) error {
	c := b.Cursor()
	for k, v := c.Seek(prefix); k != nil && bytes.HasPrefix(k, prefix); k, v = c.Next() {
		if err := ctx.Err(); err != nil {
			return err
		}
		if err := fn(k, v); err != nil {
			return err
		}
	}
	return nil
}

func put(tx *bbolt.Tx, bucket string, key []byte, value any) error {
	v, err := json.Marshal(value)
	if err != nil {
		return fmt.Errorf("write %s %s: %w", bucket, key, err)
	}
	return tx.Bucket([]byte(bucket)).Put(key, v)
}

func decode[T any](what string, v []byte) (t T, err error) {
	if err = json.Unmarshal(v, &t); err != nil {
		err = fmt.Errorf("read %s: %w", what, err)
	}
	return t, err
}
