package store

import (
	"context"
	"strings"

	"go.etcd.io/bbolt"

	"sideport/annotate"
)

// Prepared reads what was made of a case's recordings, by recording id.
func (s *Store) Prepared(ctx context.Context, caseID string) (map[string]annotate.Prepared, error) {
	out := map[string]annotate.Prepared{}
	err := s.view(ctx, func(tx *bbolt.Tx) error {
		return eachPrepared(ctx, tx, insideKey(caseID), func(_, recording string, p annotate.Prepared) { out[recording] = p })
	})
	return out, err
}

// SetPrepared enters what was made of a recording. It is a Missing
// [annotate.Fault] when the recording is gone: what was made can be removed.
func (s *Store) SetPrepared(ctx context.Context, caseID, recording string, p annotate.Prepared) error {
	err := s.update(ctx, func(tx *bbolt.Tx) error {
		rs, err := readAll[annotate.Recording](tx, recordingsBucket, caseID)
		if err != nil {
			return err
		}
		c := annotate.Case{Recordings: rs}
		if _, ok := c.Recording(recording); !ok || recording == "" {
			return annotate.Faultf(annotate.Missing, "There is no recording %s in case %s; somebody may have removed it.", recording, caseID)
		}
		return put(tx, preparedBucket, preparedKey(caseID, recording), p)
	})
	if err == nil {
		s.watchers.wake()
	}
	return err
}

// EachPrepared calls fn with what was made of every recording, as it was when
// EachPrepared was called. No transaction is open meanwhile: fn may use the store.
func (s *Store) EachPrepared(ctx context.Context, fn func(caseID, recording string, p annotate.Prepared) error) error {
	var calls []func() error
	err := s.view(ctx, func(tx *bbolt.Tx) error {
		return eachPrepared(ctx, tx, nil, func(id, recording string, p annotate.Prepared) {
			calls = append(calls, func() error { return fn(id, recording, p) })
		})
	})
	for i := 0; i < len(calls) && err == nil; i++ {
		err = calls[i]()
	}
	return err
}

func eachPrepared(ctx context.Context, tx *bbolt.Tx, prefix []byte, fn func(id, recording string, p annotate.Prepared)) error {
	return each(ctx, tx, preparedBucket, prefix, func(k, v []byte) error {
		p, err := decode[annotate.Prepared]("what was prepared for "+string(k), v)
		if err != nil {
			return err
		}
		id, recording, _ := strings.Cut(string(k), "/")
		fn(id, recording, p)
		return nil
	})
}
