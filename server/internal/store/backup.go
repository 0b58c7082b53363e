package store

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"syscall"

	"go.etcd.io/bbolt"

	"sideport/annotate"
)

// Backup writes the library as it is at this moment to w and gives the number
// of its last change. Work goes on meanwhile.
func (s *Store) Backup(ctx context.Context, w io.Writer) (seq uint64, err error) {
	// By way of the disk: a slow w must not hold a transaction open, which
	// would stop the file's growth and with it every writer.
	f, err := os.CreateTemp(s.dir, ".backup-*")
	if err != nil {
		return 0, s.noSpace("make a backup", err)
	}
	defer func() { err = errors.Join(err, f.Close(), os.Remove(f.Name())) }()
	err = s.view(ctx, func(tx *bbolt.Tx) error {
		seq = tx.Bucket([]byte(changesBucket)).Sequence()
		_, err := tx.WriteTo(f)
		return err
	})
	if err != nil {
		return 0, s.noSpace("make a backup", err)
	}
	if _, err = f.Seek(0, io.SeekStart); err != nil {
		return 0, err
	}
	if _, err = io.Copy(w, &stoppable{ctx, f}); err != nil {
		return 0, fmt.Errorf("write the backup: %w", err)
	}
	return seq, nil
}

func (s *Store) noSpace(do string, err error) error {
	if full(err) {
		return &annotate.Fault{Cause: annotate.Busy, Err: err,
			Say: fmt.Sprintf("There is no space left in %s to %s. Free some, then try again.", s.dir, do)}
	}
	return fmt.Errorf("%s: %w", do, err)
}

// stoppable is a reader that ends with its context.
type stoppable struct {
	ctx context.Context
	r   io.Reader
}

func (s *stoppable) Read(p []byte) (int, error) {
	if err := s.ctx.Err(); err != nil {
		return 0, err
	}
	return s.r.Read(p)
}

// Restore puts the backup that r gives in the place of the library in dir,
// after checking it. The file that was there is kept as library.db.replaced.
// It is a Busy [annotate.Fault] while the library is open anywhere, and an
// Invalid one when the backup is damaged or newer than this program; the
// library is then as it was.
func Restore(ctx context.Context, dir string, r io.Reader) (seq uint64, err error) {
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return 0, openFault(dir, err)
	}
	path := filepath.Join(dir, fileName)
	unlock, err := lock(dir, path)
	if err != nil {
		return 0, err
	}
	defer unlock()
	defer func() {
		if err != nil && sizeOf(path) == 0 {
			err = errors.Join(err, os.Remove(path)) // the lock's, not a library
		}
	}()
	incoming := path + ".incoming"
	if err := writeWhole(incoming, func(w io.Writer) error { _, err := io.Copy(w, &stoppable{ctx, r}); return err }); err != nil {
		return 0, fmt.Errorf("read the backup: %w", err)
	}
	if seq, err = checkBackup(incoming); err != nil {
		return 0, errors.Join(err, os.Remove(incoming))
	}
	if sizeOf(path) > 0 {
		err = os.Rename(path, path+".replaced")
	}
	if err == nil {
		err = os.Rename(incoming, path)
	}
	return seq, errors.Join(err, syncDir(dir))
}

// lock takes the lock that bbolt would, also on a file that bbolt cannot open.
func lock(dir, path string) (unlock func(), err error) {
	f, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE, 0o600)
	if err != nil {
		return nil, openFault(dir, err)
	}
	if err := syscall.Flock(int(f.Fd()), syscall.LOCK_EX|syscall.LOCK_NB); err != nil {
		f.Close()
		return nil, &annotate.Fault{Cause: annotate.Busy, Say: held(dir), Err: err}
	}
	return func() { f.Close() }, nil
}

// removeUnfinished removes a file that a full disk left without its first
// four pages, which hold nothing yet.
func removeUnfinished(dir, path string) error {
	unlock, err := lock(dir, path)
	if err != nil {
		return err
	}
	defer unlock()
	if sizeOf(path) < int64(4*os.Getpagesize()) {
		return os.Remove(path)
	}
	return nil
}

// sizeOf is the size of a file; 0 where there is none.
func sizeOf(path string) int64 {
	info, err := os.Stat(path)
	if err != nil {
		return 0
	}
	return info.Size()
}

func checkBackup(path string) (seq uint64, err error) {
	db, err := openFile(path, 0, 0)
	if err == nil {
		err = guarded(path, func() error {
			return db.View(func(tx *bbolt.Tx) error {
				if at, err := schemaOf(tx); err != nil || at == 0 {
					return errors.Join(err, errors.New("it holds no library"))
				} else if at > len(steps()) {
					return fmt.Errorf("its layout %d is newer than the %d of this program", at, len(steps()))
				}
				seq = tx.Bucket([]byte(changesBucket)).Sequence()
				var all []error
				for err := range tx.Check() {
					all = append(all, err)
				}
				return errors.Join(all...)
			})
		})
		err = errors.Join(err, db.Close())
	}
	if err != nil {
		return 0, &annotate.Fault{Cause: annotate.Invalid, Err: err,
			Say: fmt.Sprintf("The backup cannot be used (%v). The library was left as it was; try an older backup.", err)}
	}
	return seq, nil
}
