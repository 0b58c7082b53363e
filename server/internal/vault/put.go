package vault

import (
	"context"
	"crypto/rand"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"hash"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"syscall"
)

// Put stores the bytes of r. Where it fails nothing stays; a full disk is a
// [FullError].
func (v *Vault) Put(ctx context.Context, r io.Reader) (Entry, error) {
	return v.put(ctx, r, sizeOf(r))
}

// PutFile stores a copy of a regular file from anywhere on this machine. The
// file itself is only read. Where the file system can share blocks between
// files no bytes are copied.
func (v *Vault) PutFile(ctx context.Context, path string) (Entry, error) {
	// Not blocking: opening a named pipe would otherwise wait for a writer.
	f, err := os.OpenFile(path, os.O_RDONLY|syscall.O_NONBLOCK, 0)
	if err != nil {
		return Entry{}, fmt.Errorf("store a file: %w", err)
	}
	defer f.Close()
	info, err := f.Stat()
	if err != nil {
		return Entry{}, fmt.Errorf("store a file: %w", err)
	}
	if !info.Mode().IsRegular() {
		return Entry{}, fmt.Errorf("store %s: it is not a regular file", path)
	}
	return v.put(ctx, f, info.Size())
}

// Adopt takes over a file that lies on the vault's file system, in a scratch
// folder or beside the vault: it is hashed and moved, not copied, and is gone
// from path afterwards. Nobody may have it open for writing. Where it fails
// the file stays where it is.
func (v *Vault) Adopt(ctx context.Context, path string) (Entry, error) {
	info, err := os.Lstat(path)
	if err != nil {
		return Entry{}, fmt.Errorf("adopt a file: %w", err)
	}
	if !info.Mode().IsRegular() {
		return Entry{}, fmt.Errorf("adopt %s: it is not a regular file", path)
	}
	f, err := os.Open(path)
	if err != nil {
		return Entry{}, fmt.Errorf("adopt a file: %w", err)
	}
	defer f.Close()
	hash, size, err := pour(ctx, nil, f)
	if err == nil {
		err = seal(f)
	}
	if err != nil {
		return Entry{}, fmt.Errorf("adopt %s: %w", path, err)
	}
	e, err := v.keep(path, Entry{Hash: hash, Size: size})
	return e, v.explain(err, 0)
}

// put writes r to a scratch file, hashing on the way, and keeps it. size is
// what r will give, or -1 where that is not known.
func (v *Vault) put(ctx context.Context, r io.Reader, size int64) (_ Entry, err error) {
	name := scratch + "/put-" + strings.ToLower(rand.Text())
	f, err := v.root.OpenFile(name, os.O_CREATE|os.O_EXCL|os.O_RDWR, 0o600)
	if err != nil {
		return Entry{}, v.explain(fmt.Errorf("store a file: %w", err), size)
	}
	var written int64
	defer func() {
		f.Close()
		if err != nil {
			_ = v.root.Remove(name) // gone already where it was kept
			err = v.explain(err, max(size, written))
		}
	}()
	var hash string
	if src, ok := r.(*os.File); ok && reflink(f, src) {
		hash, written, err = pour(ctx, nil, f)
	} else if free, ferr := v.Free(); ferr == nil && size > free {
		err = syscall.ENOSPC // known before a byte is written
	} else {
		hash, written, err = pour(ctx, f, r)
	}
	if err == nil {
		err = seal(f)
	}
	if err != nil {
		return Entry{}, fmt.Errorf("store a file: %w", err)
	}
	return v.keep(filepath.Join(v.dir, name), Entry{Hash: hash, Size: written})
}

// seal makes the file read-only and sure to be on the disk.
func seal(f *os.File) error {
	if err := f.Chmod(0o400); err != nil {
		return err
	}
	return f.Sync()
}

// keep moves a sealed file to its place. One that is there already is replaced
// by the same bytes: that mends it where it was damaged.
func (v *Vault) keep(path string, e Entry) (Entry, error) {
	had, err := v.Has(e.Hash)
	if err != nil {
		return Entry{}, err
	}
	folder := e.Hash[:2]
	err = v.root.Mkdir(folder, 0o700)
	fresh := err == nil
	if errors.Is(err, fs.ErrExist) {
		err = nil
	}
	if err == nil {
		err = os.Rename(path, v.path(e.Hash))
	}
	if err == nil {
		err = v.sync(folder)
	}
	if err == nil && fresh {
		err = v.sync(".")
	}
	if err != nil {
		return Entry{}, fmt.Errorf("store file %s: %w", e.Hash, err)
	}
	e.New = !had
	return e, nil
}

// The copy goes through a few large buffers: while one is hashed on another
// core the next is read and written.
const (
	chunk   = 1 << 20
	chunks  = 4
	flushBy = 32 << 20
)

// pour copies r to w, which may be nil, and gives the SHA-256 in hex and the
// number of bytes. It stops when ctx ends.
func pour(ctx context.Context, w *os.File, r io.Reader) (sum string, n int64, err error) {
	full, empty := make(chan []byte, chunks), make(chan []byte, chunks)
	for range chunks {
		empty <- make([]byte, chunk)
	}
	h, hashed := sha256.New(), make(chan struct{})
	go func() {
		defer close(hashed)
		feed(h, full, empty)
	}()
	for flushed := int64(0); err == nil && ctx.Err() == nil; {
		var m int
		b := <-empty
		m, err = fill(r, b)
		full <- b[:m]
		n += int64(m)
		if w == nil {
			continue
		}
		if _, werr := w.Write(b[:m]); werr != nil {
			err = werr
		}
		if n-flushed >= flushBy {
			startFlush(w, flushed, n-flushed)
			flushed = n
		}
	}
	close(full)
	<-hashed
	if err == io.EOF { // and no wrapped one: that would be a source that broke off
		err = nil
	}
	if err == nil {
		err = ctx.Err()
	}
	return hex.EncodeToString(h.Sum(nil)), n, err
}

// fill reads until b is full or r ends. Unlike [io.ReadFull] it keeps the
// reader's own "unexpected EOF", which is how an upload that was cut off ends.
func fill(r io.Reader, b []byte) (n int, err error) {
	for n < len(b) && err == nil {
		var m int
		m, err = r.Read(b[n:])
		n += m
	}
	return n, err
}

// feed hashes buffers in order and hands them back.
func feed(h hash.Hash, full <-chan []byte, empty chan<- []byte) {
	for b := range full {
		h.Write(b)
		empty <- b[:chunk]
	}
}

// sizeOf gives what r will still give where r can tell, or -1.
func sizeOf(r io.Reader) int64 {
	switch r := r.(type) {
	case interface{ Len() int }:
		return int64(r.Len())
	case *os.File:
		info, err := r.Stat()
		at, serr := r.Seek(0, io.SeekCurrent)
		if err == nil && serr == nil && info.Mode().IsRegular() {
			return info.Size() - at
		}
	}
	return -1
}
