package store

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"reflect"
	"time"

	"go.etcd.io/bbolt"

	"sideport/annotate"
)

// entry is a change as it is written: what was replaced stays readable JSON.
type entry struct {
	annotate.Change
	Before json.RawMessage `json:"before,omitempty"`
	After  json.RawMessage `json:"after,omitempty"`
}

func (e entry) change() annotate.Change {
	e.Change.Before, e.Change.After = e.Before, e.After
	return e.Change
}

// Apply makes one edit in the name of by, an account's id. It is checked,
// written and entered in the change log together, or not at all, and is on
// disk when Apply returns. The change's number becomes the rev of the case and
// of the notes that it touches. What breaks a rule is an [annotate.Fault].
func (s *Store) Apply(ctx context.Context, by string, e annotate.Edit) (annotate.Change, error) {
	var done annotate.Change
	err := s.update(ctx, func(tx *bbolt.Tx) (err error) {
		done, err = s.apply(tx, by, e)
		return err
	})
	if err != nil {
		return annotate.Change{}, err
	}
	s.watchers.wake()
	return done, nil
}

func (s *Store) apply(tx *bbolt.Tx, by string, e annotate.Edit) (annotate.Change, error) {
	before, err := readCase(tx, e.Case)
	if err != nil {
		return annotate.Change{}, err
	}
	after, err := e.Apply(before)
	if err != nil {
		return annotate.Change{}, err
	}
	if err := checkIDs(after); err != nil {
		return annotate.Change{}, err
	}
	seq, err := tx.Bucket([]byte(changesBucket)).NextSequence()
	if err != nil {
		return annotate.Change{}, err
	}
	stamp(&after, before, e, seq)
	log := entry{Change: annotate.Change{Seq: seq, At: s.now().UTC().Format(time.RFC3339Nano), By: by, Action: e.Action(), Case: e.Case, Note: noteOf(e)}}
	if log.Before, log.After, err = traces(tx, e, before, after); err != nil {
		return annotate.Change{}, err
	}
	if e.Drop {
		err = dropCase(tx, e.Case)
	} else {
		err = writeCase(tx, before, after)
	}
	if err != nil {
		return annotate.Change{}, err
	}
	return log.change(), put(tx, changesBucket, number(seq), log)
}

func noteOf(e annotate.Edit) string {
	if e.PutNote != nil {
		return e.PutNote.ID
	}
	return e.DropNote
}

// stamp sets the revs of the case and of what e touched in it.
func stamp(after *annotate.Case, before annotate.Case, e annotate.Edit, seq uint64) {
	old := map[string]annotate.Note{}
	for _, n := range before.Notes {
		old[n.ID] = n
	}
	after.Rev = seq
	for i, n := range after.Notes {
		if was, ok := old[n.ID]; !ok || n.ID == noteOf(e) || !reflect.DeepEqual(was, n) {
			after.Notes[i].Rev = seq
		}
	}
}

// traces gives what the log keeps of an edit; doc.go has the table.
func traces(tx *bbolt.Tx, e annotate.Edit, before, after annotate.Case) (b, a json.RawMessage, err error) {
	var was, is any
	switch {
	case e.Add != nil:
		is = lean(after)
	case e.Head != nil:
		was, is = lean(before), lean(after)
	case e.PutNote != nil, e.DropNote != "":
		was, is = note(before, noteOf(e)), note(after, noteOf(e))
	case e.Attach != nil:
		is = e.Attach
	case e.Captions != nil:
		if was, err = cuesBefore(tx, before, *e.Captions); err != nil {
			return nil, nil, err
		}
		is = e.Captions
	case e.Drop:
		if err = readCues(tx, &before); err != nil {
			return nil, nil, err
		}
		was = before
	case e.Stills != nil:
		was, is = before.Stills, after.Stills
	}
	if b, err = trace(was); err != nil {
		return nil, nil, err
	}
	a, err = trace(is)
	return b, a, err
}

func trace(v any) (json.RawMessage, error) {
	if v == nil {
		return nil, nil
	}
	b, err := json.Marshal(v)
	if err != nil {
		return nil, fmt.Errorf("enter the change in the log: %w", err)
	}
	return b, nil
}

func note(c annotate.Case, id string) any {
	if n, ok := c.Note(id); ok {
		return n
	}
	return nil
}

func cuesBefore(tx *bbolt.Tx, c annotate.Case, e annotate.CaptionsEdit) (annotate.CaptionsEdit, error) {
	e.Track.Cues = nil
	v := tx.Bucket([]byte(captionsBucket)).Get(captionsKey(c.ID, e.Recording, e.Track.Language))
	if v == nil {
		return e, nil
	}
	var err error
	e.Track.Cues, err = decode[[]annotate.Cue]("captions of case "+c.ID, v)
	return e, err
}

// Changes reads up to limit changes that followed number after; 0: all.
func (s *Store) Changes(ctx context.Context, after uint64, limit int) ([]annotate.Change, error) {
	var all []annotate.Change
	err := s.view(ctx, func(tx *bbolt.Tx) error {
		c := tx.Bucket([]byte(changesBucket)).Cursor()
		for k, v := c.Seek(number(after + 1)); k != nil && (limit <= 0 || len(all) < limit); k, v = c.Next() {
			if err := ctx.Err(); err != nil {
				return err
			}
			// Decoding copies: nothing of v outlives the transaction.
			e, err := decode[entry](fmt.Sprintf("change %x", k), v)
			if err != nil {
				return err
			}
			all = append(all, e.change())
		}
		return nil
	})
	return all, err
}

// LastSeq is the number of the last change; 0 before the first.
func (s *Store) LastSeq(ctx context.Context) (seq uint64, err error) {
	err = s.view(ctx, func(tx *bbolt.Tx) error {
		seq = tx.Bucket([]byte(changesBucket)).Sequence()
		return nil
	})
	return seq, err
}

// entryIsWhole says whether v is the change of key k.
func entryIsWhole(k, v []byte) error {
	e, err := decode[entry]("change", v)
	if err != nil {
		return err
	}
	if !bytes.Equal(k, number(e.Seq)) {
		return fmt.Errorf("change %d lies under the key %x", e.Seq, k)
	}
	return nil
}
