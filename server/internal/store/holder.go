package store

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"time"

	"sideport/annotate"
)

const (
	holderName = "holder.json"
	maxHolder  = 64 << 10 // bytes
)

// Holder is the process that has the library open. Address and Token are where
// and how a running server answers other commands of the same user; "" where
// the holder is not a server.
type Holder struct {
	PID     int       `json:"pid"`
	Command string    `json:"command"`
	Since   time.Time `json:"since"`
	Address string    `json:"address,omitempty"`
	Token   string    `json:"token,omitempty"`
}

// ReadHolder reads who said last that they hold the library in dir. It is a
// Missing [annotate.Fault] when nobody does. After a crash the one named may
// be gone: only the lock on the library counts, so try the address, then Open.
func ReadHolder(dir string) (Holder, error) {
	f, err := os.Open(filepath.Join(dir, holderName))
	if errors.Is(err, fs.ErrNotExist) {
		return Holder{}, annotate.Faultf(annotate.Missing, "Nobody has the library in %s open.", dir)
	}
	if err != nil {
		return Holder{}, fmt.Errorf("read who holds the library: %w", err)
	}
	defer f.Close()
	var h Holder
	if err := json.NewDecoder(io.LimitReader(f, maxHolder)).Decode(&h); err != nil {
		return Holder{}, fmt.Errorf("read %s: %w", f.Name(), err)
	}
	return h, nil
}

// SetHolder writes who holds the library, for this user's eyes only. PID and
// Since are filled in where they are zero.
func (s *Store) SetHolder(h Holder) error {
	if h.PID == 0 {
		h.PID = os.Getpid()
	}
	if h.Since.IsZero() {
		h.Since = s.now().UTC().Truncate(time.Second)
	}
	b, err := json.Marshal(h)
	if err != nil {
		return fmt.Errorf("write who holds the library: %w", err)
	}
	s.writing.Lock()
	defer s.writing.Unlock()
	if s.closed {
		return fmt.Errorf("write who holds the library: %w", fs.ErrClosed)
	}
	return writeWhole(filepath.Join(s.dir, holderName), func(w io.Writer) error {
		_, err := w.Write(b)
		return err
	})
}

func removeHolder(dir string) error {
	if err := os.Remove(filepath.Join(dir, holderName)); !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	return nil
}

// held says who has the library open.
func held(dir string) string {
	h, err := ReadHolder(dir)
	if err != nil || h.PID == 0 {
		return fmt.Sprintf("The library in %s is open in another process. Close that one, then try again.", dir)
	}
	what := h.Command
	if what == "" {
		what = "another command"
	}
	return fmt.Sprintf("The library in %s is open in %s (process %d, since %s). Stop that one, then try again.",
		dir, what, h.PID, h.Since.Local().Format("2 January 2006 15:04:05"))
}

// writeWhole writes a file of mode 0600 that is there whole or not at all.
func writeWhole(path string, fill func(io.Writer) error) error {
	f, err := os.CreateTemp(filepath.Dir(path), "."+filepath.Base(path)+"-*")
	if err != nil {
		return err
	}
	err = fill(f)
	if err == nil {
		err = f.Sync()
	}
	if err = errors.Join(err, f.Close()); err == nil {
		err = os.Rename(f.Name(), path)
	}
	if err != nil {
		return errors.Join(err, os.Remove(f.Name()))
	}
	return syncDir(filepath.Dir(path))
}
