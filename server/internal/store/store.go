package store

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"os"
	"path/filepath"
	"runtime/debug"
	"strings"
	"sync"
	"syscall"
	"time"

	"go.etcd.io/bbolt"
	bberrors "go.etcd.io/bbolt/errors"

	"sideport/annotate"
)

const fileName = "library.db"

// Options say how a library is opened. The zero value does.
type Options struct {
	Timeout time.Duration    // how long to wait while another process holds the library; 0: one second
	Now     func() time.Time // nil: time.Now
	Log     *slog.Logger     // nil: silent
	Holder  Holder           // who we are, written beside the file for the next who asks; PID and Since are filled in
}

// Store is an open library. Its methods may be called at the same time.
type Store struct {
	dir string
	db  *bbolt.DB
	now func() time.Time
	log *slog.Logger

	writing  sync.Mutex // held by every writer, and by Check: bbolt's own check must not meet one
	closed   bool       // under writing
	watchers watchers
}

// Open opens the library in dir, and makes it where there is none. It is a
// Busy [annotate.Fault] that says who holds it while another process has it
// open, and an Invalid one when the file is damaged or newer than this program.
func Open(ctx context.Context, dir string, o Options) (*Store, error) {
	return open(ctx, dir, o, steps(), 0)
}

func open(ctx context.Context, dir string, o Options, steps []step, maxSize int) (*Store, error) {
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return nil, openFault(dir, err)
	}
	if o.Now == nil {
		o.Now = time.Now
	}
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	path := filepath.Join(dir, fileName)
	fresh := sizeOf(path) == 0
	db, err := openFile(path, o.Timeout, maxSize)
	if err != nil && fresh && full(err) {
		err = errors.Join(err, removeUnfinished(dir, path))
	}
	if err != nil {
		return nil, openFault(dir, err)
	}
	s := &Store{dir: dir, db: db, now: o.Now, log: o.Log}
	if err := s.begin(ctx, o.Holder, steps); err != nil {
		return nil, errors.Join(err, db.Close())
	}
	return s, nil
}

// begin brings a file that was just opened to the layout of this program.
func (s *Store) begin(ctx context.Context, h Holder, steps []step) error {
	if err := s.migrate(ctx, steps); err != nil {
		return err
	}
	// A new file's name must survive a loss of power as its content does.
	if err := syncDir(s.dir); err != nil {
		return err
	}
	return s.SetHolder(h)
}

// openFile opens and locks path. A damaged file makes bbolt panic or read
// beyond the file's end, which would end the process; both become errors.
func openFile(path string, timeout time.Duration, maxSize int) (db *bbolt.DB, err error) {
	if timeout <= 0 {
		timeout = time.Second // bbolt's zero waits for ever
	}
	var file *os.File
	o := &bbolt.Options{Timeout: timeout, FreelistType: bbolt.FreelistMapType, MaxSize: maxSize,
		OpenFile: func(name string, flag int, mode os.FileMode) (*os.File, error) {
			f, err := os.OpenFile(name, flag, mode)
			file = f
			return f, err
		}}
	err = guarded(path, func() (err error) {
		if db, err = bbolt.Open(path, 0o600, o); err != nil {
			return err
		}
		return db.View(func(tx *bbolt.Tx) error { return whole(tx, path, file) })
	})
	if err != nil {
		letGo(db, file)
		return nil, err
	}
	return db, nil
}

// letGo closes what a failed opening left. Where bbolt gave up half-way it is
// still mapped, and a mapped file keeps its lock until that is undone by hand.
func letGo(db *bbolt.DB, file *os.File) {
	if db != nil {
		_ = db.Close()
	} else if file != nil {
		_ = syscall.Flock(int(file.Fd()), syscall.LOCK_UN)
		_ = file.Close()
	}
}

// whole says whether the file holds all the pages that it speaks of, and is
// still the one at path: a restore may have put another there while we waited.
func whole(tx *bbolt.Tx, path string, f *os.File) error {
	info, err := f.Stat()
	if err != nil {
		return err
	}
	if now, err := os.Stat(path); err != nil || !os.SameFile(info, now) {
		return bberrors.ErrTimeout
	}
	if info.Size() < tx.Size() {
		return &damage{fmt.Sprintf("it is %d bytes long and should be at least %d", info.Size(), tx.Size())}
	}
	return nil
}

// damage is what was found wrong with the library's file.
type damage struct{ what string }

func (d *damage) Error() string { return "the library's file is damaged: " + d.what }

// foreign carries a panic of a caller's function through guarded.
type foreign struct{ value any }

// guarded runs fn, which reads the mapped file, so that a damaged page is an
// error for who asked and not the end of the process.
func guarded(path string, fn func() error) (err error) {
	defer debug.SetPanicOnFault(debug.SetPanicOnFault(true))
	defer func() {
		switch r := recover().(type) {
		case nil:
		case foreign:
			panic(r.value)
		default:
			err = fmt.Errorf("%s: %w", path, &damage{fmt.Sprint(r)})
		}
	}()
	return fn()
}

// openFault says why the library could not be opened and what to do.
func openFault(dir string, err error) error {
	path := filepath.Join(dir, fileName)
	fault := func(c annotate.Cause, say string, args ...any) error {
		f := annotate.Faultf(c, say, args...)
		f.Err = err
		return f
	}
	_, system := errors.AsType[syscall.Errno](err)
	switch {
	case errors.Is(err, bberrors.ErrTimeout):
		return fault(annotate.Busy, "%s", held(dir))
	case errors.Is(err, fs.ErrPermission):
		return fault(annotate.Refused, "%s may not be opened by this user. Give the user the right to write in that folder, or choose another with --data.", path)
	case full(err):
		return fault(annotate.Busy, "There is no space left to open %s. Free some, then try again.", path)
	case system:
		return fmt.Errorf("open the library %s: %w", path, err)
	}
	return fault(annotate.Invalid, "%s is damaged or is not a library (%v). Nothing was changed. Put the file aside, then bring back a backup with sideport restore.", path, err)
}

// full says whether err is a disk without space. bbolt does not always wrap
// the system's error, so its text counts as well.
func full(err error) bool {
	return err != nil && (errors.Is(err, syscall.ENOSPC) || errors.Is(err, syscall.EDQUOT) ||
		errors.Is(err, bberrors.ErrMaxSizeReached) || strings.Contains(err.Error(), syscall.ENOSPC.Error()))
}

// view runs fn in a reading transaction. fn decodes what it keeps and calls
// nothing outside this package.
func (s *Store) view(ctx context.Context, fn func(*bbolt.Tx) error) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	return guarded(s.db.Path(), func() error { return s.db.View(fn) })
}

// update runs fn in the writing transaction; it is on disk when update returns nil.
func (s *Store) update(ctx context.Context, fn func(*bbolt.Tx) error) error {
	s.writing.Lock()
	defer s.writing.Unlock()
	if err := ctx.Err(); err != nil {
		return err
	}
	err := guarded(s.db.Path(), func() error { return s.db.Update(fn) })
	if full(err) {
		return &annotate.Fault{Cause: annotate.Busy, Err: err,
			Say: fmt.Sprintf("There is no space left in %s, so nothing was changed. Free some, then try again.", s.dir)}
	}
	return err
}

// Close lets go of the library. Transactions under way are waited for.
func (s *Store) Close() error {
	s.writing.Lock()
	defer s.writing.Unlock()
	if s.closed {
		return nil
	}
	s.closed = true
	s.watchers.close()
	return errors.Join(removeHolder(s.dir), s.db.Close())
}

// syncDir makes the names in dir durable.
func syncDir(dir string) error {
	d, err := os.Open(dir)
	if err != nil {
		return err
	}
	return errors.Join(d.Sync(), d.Close())
}
