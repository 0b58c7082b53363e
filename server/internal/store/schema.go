package store

import (
	"context"
	"fmt"
	"io"
	"path/filepath"

	"go.etcd.io/bbolt"

	"sideport/annotate"
)

// step brings a library from the layout before it to its own. Steps are only
// ever added: a file of any earlier layout goes through all that it lacks.
type step struct {
	name string
	do   func(ctx context.Context, tx *bbolt.Tx) error
}

// steps are the layouts in order: the first makes version 1, and so on.
func steps() []step {
	return []step{
		{"the first layout", firstLayout},
	}
}

func firstLayout(_ context.Context, tx *bbolt.Tx) error {
	for _, name := range []string{casesBucket, recordingsBucket, captionsBucket, notesBucket, changesBucket, preparedBucket, shelvesBucket} {
		if _, err := tx.CreateBucketIfNotExists([]byte(name)); err != nil {
			return err
		}
	}
	return nil
}

// migrate takes the steps that the file lacks, each with its number in one
// transaction, after putting a copy of the file beside it.
func (s *Store) migrate(ctx context.Context, steps []step) error {
	at, err := s.schema(ctx)
	if err != nil && ctx.Err() == nil {
		return openFault(s.dir, err)
	}
	if err != nil {
		return err
	}
	if at > len(steps) {
		return annotate.Faultf(annotate.Invalid, "%s was written by a newer sideport: its layout is %d, and this program knows up to %d. Install the newer program, or bring back an older backup with sideport restore.",
			s.db.Path(), at, len(steps))
	}
	if at > 0 && at < len(steps) {
		if err := s.keepCopy(ctx, at); err != nil {
			return err
		}
	}
	for i := at; i < len(steps); i++ {
		err := s.update(ctx, func(tx *bbolt.Tx) error {
			b, err := tx.CreateBucketIfNotExists([]byte(metaBucket))
			if err != nil {
				return err
			}
			if err := steps[i].do(ctx, tx); err != nil {
				return err
			}
			return b.Put([]byte(schemaKey), number(uint64(i+1)))
		})
		if err != nil {
			return fmt.Errorf("bring %s to layout %d (%s): %w", s.db.Path(), i+1, steps[i].name, err)
		}
		s.log.DebugContext(ctx, "library layout", "version", i+1)
	}
	return nil
}

// schema reads the file's layout; 0 is a file without content.
func (s *Store) schema(ctx context.Context) (at int, err error) {
	err = s.view(ctx, func(tx *bbolt.Tx) error {
		at, err = schemaOf(tx)
		return err
	})
	return at, err
}

func schemaOf(tx *bbolt.Tx) (int, error) {
	b := tx.Bucket([]byte(metaBucket))
	if b == nil {
		if k, _ := tx.Cursor().First(); k != nil {
			return 0, &damage{"it was written by another program"}
		}
		return 0, nil
	}
	v, err := readNumber(b.Get([]byte(schemaKey)))
	if err != nil || v == 0 || v > 1<<20 {
		return 0, &damage{"it does not say its layout"}
	}
	return int(v), nil
}

// keepCopy writes the file as it is to library.db.v1, named by its layout.
func (s *Store) keepCopy(ctx context.Context, at int) error {
	path := filepath.Join(s.dir, fmt.Sprintf("%s.v%d", fileName, at))
	err := s.view(ctx, func(tx *bbolt.Tx) error {
		return writeWhole(path, func(w io.Writer) error {
			_, err := tx.WriteTo(w)
			return err
		})
	})
	if err != nil {
		return fmt.Errorf("keep a copy of the library before changing its layout: %w", err)
	}
	s.log.InfoContext(ctx, "library copied before a change of layout", "file", filepath.Base(path))
	return nil
}
