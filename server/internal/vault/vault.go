// Package vault keeps files under the hash of their bytes: originals as they
// came, and what was derived from them. A stored file is never modified, and
// nothing half written is ever seen under a hash.
//
// It must not know what the files mean: no case, no film, no consent.
package vault

import (
	"context"
	"encoding/hex"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"syscall"
)

// scratch is the folder, inside the vault and so on its file system, for what
// is being made.
const scratch = "scratch"

// ErrDamaged says that a stored file is no longer what its name promises.
var ErrDamaged = errors.New("stored file is damaged")

// Vault is a folder of files named by their SHA-256, as ab/abcd…, and a scratch
// folder. It may be used by many goroutines at once.
type Vault struct {
	dir  string
	root *os.Root
	held *os.File // the scratch folder, locked shared while the vault is open
}

// Entry is one stored file.
type Entry struct {
	Hash string // SHA-256 of the bytes, 64 lower-case hex digits
	Size int64  // bytes
	New  bool   // false where the vault had it already
}

// Open opens the vault in dir and creates it where there is none. What an
// earlier run left in the scratch folder is removed, unless another process
// has the vault open and may be using it.
func Open(dir string) (*Vault, error) {
	abs, err := filepath.Abs(dir)
	if err != nil {
		return nil, fmt.Errorf("open vault %s: %w", dir, err)
	}
	if err := os.MkdirAll(filepath.Join(abs, scratch), 0o700); err != nil {
		return nil, fmt.Errorf("open vault: %w", err)
	}
	root, err := os.OpenRoot(abs)
	if err != nil {
		return nil, fmt.Errorf("open vault: %w", err)
	}
	v := &Vault{dir: abs, root: root}
	if err := v.sweep(); err != nil {
		_ = v.Close() // the first error is the one to tell
		return nil, fmt.Errorf("clear the scratch folder of vault %s: %w", abs, err)
	}
	return v, nil
}

// Close lets go of the folder. Files that were opened stay open.
func (v *Vault) Close() error {
	err := v.root.Close()
	if v.held != nil {
		err = errors.Join(err, v.held.Close())
	}
	return err
}

// sweep empties the scratch folder if nobody else holds it, and holds it.
func (v *Vault) sweep() error {
	f, err := v.root.Open(scratch)
	if err != nil {
		return err
	}
	v.held = f
	if syscall.Flock(int(f.Fd()), syscall.LOCK_EX|syscall.LOCK_NB) == nil {
		names, err := f.Readdirnames(-1)
		if err != nil {
			return err
		}
		for _, n := range names {
			if err := v.root.RemoveAll(scratch + "/" + n); err != nil {
				return err
			}
		}
	}
	return syscall.Flock(int(f.Fd()), syscall.LOCK_SH)
}

// Scratch makes a new empty folder on the vault's file system, for a child
// process to write in, and the function that removes it with all it holds.
func (v *Vault) Scratch() (dir string, remove func(), err error) {
	dir, err = os.MkdirTemp(filepath.Join(v.dir, scratch), "work-")
	if err != nil {
		return "", nil, v.explain(fmt.Errorf("make a scratch folder: %w", err), 0)
	}
	// What cannot be removed now is removed at the next start.
	return dir, func() { _ = os.RemoveAll(dir) }, nil
}

// Open opens a stored file for reading. Where there is none, or hash is not
// one, the error is [fs.ErrNotExist].
func (v *Vault) Open(hash string) (*os.File, error) {
	name, err := nameOf(hash)
	if err != nil {
		return nil, err
	}
	f, err := v.root.Open(name)
	if err != nil {
		return nil, fmt.Errorf("open stored file %s: %w", hash, err)
	}
	return f, nil
}

// Path gives the absolute path of a stored file, for a child process that
// reads it. Errors are those of [Vault.Open].
func (v *Vault) Path(hash string) (string, error) {
	if _, err := v.stat(hash); err != nil {
		return "", err
	}
	return v.path(hash), nil
}

// Has says whether the file is stored. An error means that this is not known.
func (v *Vault) Has(hash string) (bool, error) {
	_, err := v.stat(hash)
	if errors.Is(err, fs.ErrNotExist) {
		return false, nil
	}
	return err == nil, err
}

// Remove removes a stored file for good. One that is not there is no error, so
// that a removal can be repeated.
func (v *Vault) Remove(hash string) error {
	name, err := nameOf(hash)
	if err != nil {
		return err
	}
	if err := v.root.Remove(name); err != nil {
		if errors.Is(err, fs.ErrNotExist) {
			return nil
		}
		return fmt.Errorf("remove stored file %s: %w", hash, err)
	}
	return v.sync(name[:2])
}

// Each calls yield with every stored file in the order of the hashes, until
// yield gives an error, which is returned. Sizes are as found; contents are not
// read (see [Vault.Verify]).
func (v *Vault) Each(ctx context.Context, yield func(Entry) error) error {
	return fs.WalkDir(v.root.FS(), ".", func(path string, d fs.DirEntry, err error) error {
		if err != nil {
			return fmt.Errorf("list the vault: %w", err)
		}
		if err := ctx.Err(); err != nil {
			return err
		}
		if d.IsDir() {
			if path == scratch {
				return fs.SkipDir
			}
			return nil
		}
		name, err := nameOf(d.Name())
		if err != nil || name != path || !d.Type().IsRegular() {
			return nil // not ours
		}
		info, err := d.Info()
		if err != nil {
			return fmt.Errorf("list the vault: %w", err)
		}
		return yield(Entry{Hash: d.Name(), Size: info.Size()})
	})
}

// Verify reads a stored file and holds it against its name. The error is
// [ErrDamaged] where they differ and [fs.ErrNotExist] where there is no file.
func (v *Vault) Verify(ctx context.Context, hash string) error {
	f, err := v.Open(hash)
	if err != nil {
		return err
	}
	defer f.Close()
	got, _, err := pour(ctx, nil, f)
	if err != nil {
		return fmt.Errorf("verify stored file %s: %w", hash, err)
	}
	if got != hash {
		return fmt.Errorf("%w: %s now has the bytes of %s; put it back from a backup", ErrDamaged, hash, got)
	}
	return nil
}

func (v *Vault) stat(hash string) (fs.FileInfo, error) {
	name, err := nameOf(hash)
	if err != nil {
		return nil, err
	}
	info, err := v.root.Stat(name)
	if err != nil {
		return nil, fmt.Errorf("find stored file %s: %w", hash, err)
	}
	return info, nil
}

func (v *Vault) path(hash string) string { return filepath.Join(v.dir, hash[:2], hash) }

// nameOf gives the name inside the vault: "ab/abcd…". Nothing but a hash passes,
// so no name leads elsewhere.
func nameOf(hash string) (string, error) {
	if b, err := hex.DecodeString(hash); err != nil || len(b) != 32 || hash != strings.ToLower(hash) {
		return "", fmt.Errorf("%.80q is not the name of a stored file: %w", hash, fs.ErrNotExist)
	}
	return hash[:2] + "/" + hash, nil
}

// sync makes what happened in a folder of the vault last.
func (v *Vault) sync(folder string) error {
	d, err := v.root.Open(folder)
	if err != nil {
		return err
	}
	defer d.Close()
	return d.Sync()
}
