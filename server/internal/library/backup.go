package library

import (
	"archive/tar"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"sideport/annotate"
)

// The parts of a backup: a tar with the store first, then the originals and
// stills by their hash, and a manifest that ends it. What is derived is not in
// it; it is made again.
const (
	backupStore    = "library.db"
	backupFiles    = "files/"
	backupManifest = "manifest.json"
)

// manifest ends a backup: one that lacks it was cut short.
type manifest struct {
	Change uint64   `json:"change"`
	Files  []string `json:"files"`
}

// Copier writes a consistent copy of a store.
type Copier interface {
	Backup(ctx context.Context, w io.Writer) (seq uint64, err error)
}

// Backup writes the whole library to w while it is in use. Marking goes on
// meanwhile; cases are neither added nor removed.
func (l *Library) Backup(ctx context.Context, w io.Writer, store Copier) error {
	l.adding.Lock()
	defer l.adding.Unlock()
	dir, remove, err := l.Files.Scratch()
	if err != nil {
		return err
	}
	defer remove()
	copied, err := os.OpenFile(filepath.Join(dir, backupStore), os.O_CREATE|os.O_RDWR, 0o600)
	if err != nil {
		return err
	}
	defer copied.Close()
	m := manifest{}
	if m.Change, err = store.Backup(ctx, copied); err != nil {
		return err
	}
	if m.Files, err = l.originals(ctx); err != nil {
		return err
	}
	t := tar.NewWriter(w)
	if err := pack(t, backupStore, copied); err != nil {
		return err
	}
	for _, h := range m.Files {
		if err := l.packHash(ctx, t, h); err != nil {
			return err
		}
	}
	end, err := json.Marshal(m)
	if err != nil {
		return err
	}
	if err := t.WriteHeader(&tar.Header{Name: backupManifest, Mode: 0o600, Size: int64(len(end))}); err != nil {
		return err
	}
	if _, err := t.Write(end); err != nil {
		return err
	}
	return t.Close()
}

// originals are the hashes that the cases stand on, in order. All of them are
// looked for before the first is written, so that a gap can still be said.
func (l *Library) originals(ctx context.Context) ([]string, error) {
	seen := map[string]bool{}
	err := l.Shelf.EachCase(ctx, func(c annotate.Case) error {
		originals, _ := hashes(c, nil)
		for h := range originals {
			seen[h] = true
		}
		return nil
	})
	out := make([]string, 0, len(seen))
	for h := range seen {
		out = append(out, h)
	}
	slices.Sort(out)
	for _, h := range out {
		if err == nil && !l.have(h) {
			err = annotate.Faultf(annotate.Missing, "File %s is not in the vault, so the backup would not be whole. Run sideport check.", short(h))
		}
	}
	return out, err
}

func (l *Library) packHash(ctx context.Context, t *tar.Writer, hash string) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	f, err := l.Files.Open(hash)
	if err != nil {
		return err
	}
	defer f.Close()
	return pack(t, backupFiles+hash, f)
}

func pack(t *tar.Writer, name string, f *os.File) error {
	size, err := f.Seek(0, io.SeekEnd)
	if err == nil {
		_, err = f.Seek(0, io.SeekStart)
	}
	if err == nil {
		err = t.WriteHeader(&tar.Header{Name: name, Mode: 0o600, Size: size})
	}
	if err == nil {
		_, err = io.Copy(t, f)
	}
	if err != nil {
		return fmt.Errorf("back up %s: %w", name, err)
	}
	return nil
}

// Receiver is where a backup is unpacked to: an empty data folder.
type Receiver interface {
	RestoreStore(ctx context.Context, r io.Reader) error
	PutStream(ctx context.Context, r io.Reader) (hash string, err error)
}

// Restore unpacks a backup and holds every file against its name and the list
// at the end. What it gives as an error, it leaves to the caller to clear away.
func Restore(ctx context.Context, r io.Reader, to Receiver) (files int, err error) {
	t := tar.NewReader(r)
	var got []string
	for first := true; ; first = false {
		h, err := t.Next()
		if err != nil {
			return 0, cutShort(err)
		}
		switch {
		case !plain(h):
			return 0, annotate.Faultf(annotate.Invalid, "This is not a backup that sideport wrote: %q in it is not a plain file.", h.Name)
		case first != (h.Name == backupStore):
			return 0, annotate.Faultf(annotate.Invalid, "This is not a backup that sideport wrote: it holds %q where %q belongs.", h.Name, backupStore)
		case h.Name == backupStore:
			if err := to.RestoreStore(ctx, t); err != nil {
				return 0, cutShort(err)
			}
		case strings.HasPrefix(h.Name, backupFiles):
			hash, err := to.PutStream(ctx, t)
			if err != nil {
				return 0, cutShort(err)
			}
			if hash != strings.TrimPrefix(h.Name, backupFiles) {
				return 0, annotate.Faultf(annotate.Invalid, "The backup is damaged: file %s has other bytes than it had when it was backed up. Nothing was restored.", short(strings.TrimPrefix(h.Name, backupFiles)))
			}
			got = append(got, hash)
		case h.Name == backupManifest:
			return len(got), complete(t, got)
		default:
			return 0, annotate.Faultf(annotate.Invalid, "This is not a backup that sideport wrote: it holds %q.", h.Name)
		}
	}
}

// plain says whether an entry is a file of just the bytes that follow: one with
// holes could unpack to more than any disk holds.
func plain(h *tar.Header) bool {
	for k := range h.PAXRecords {
		if strings.HasPrefix(k, "GNU.sparse.") {
			return false
		}
	}
	return h.Typeflag == tar.TypeReg
}

func cutShort(err error) error {
	if errors.Is(err, io.EOF) || errors.Is(err, io.ErrUnexpectedEOF) || errors.Is(err, tar.ErrHeader) {
		return &annotate.Fault{Cause: annotate.Invalid, Say: "The backup is cut short or is not a backup. Nothing was restored.", Err: err}
	}
	return err
}

func complete(r io.Reader, got []string) error {
	var m manifest
	if err := json.NewDecoder(io.LimitReader(r, 256<<20)).Decode(&m); err != nil {
		return cutShort(io.ErrUnexpectedEOF)
	}
	if !slices.Equal(m.Files, got) {
		return annotate.Faultf(annotate.Invalid, "The backup is not whole: it lists %d files and holds %d. Nothing was restored.", len(m.Files), len(got))
	}
	return nil
}
