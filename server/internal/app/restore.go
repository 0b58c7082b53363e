package app

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"

	"sideport/annotate"
	"sideport/server/internal/config"
	"sideport/server/internal/library"
	"sideport/server/internal/store"
	"sideport/server/internal/vault"
)

// restore makes a data folder from a backup. It takes a new or empty folder
// alone: nothing that is there is ever written over.
func restore(ctx context.Context, c config.Config, s Streams) error {
	f, err := os.Open(c.Args[0])
	if err != nil {
		return annotate.Faultf(annotate.Missing, "The backup %q cannot be opened: %v.", c.Args[0], err)
	}
	defer f.Close()
	if err := empty(c.Data); err != nil {
		return err
	}
	files, err := restoreInto(ctx, f, c.Data)
	if err != nil {
		return errors.Join(err, clear(c.Data))
	}
	if c.JSON {
		return json.NewEncoder(s.Out).Encode(map[string]any{"data": c.Data, "files": files})
	}
	_, err = fmt.Fprintf(s.Out, "%s: %d files restored; the films are made ready when the server starts\n", c.Data, files)
	return err
}

// empty makes the folder, or finds it empty.
func empty(dir string) error {
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return annotate.Faultf(annotate.Invalid, "The folder %q cannot be made: %v.", dir, err)
	}
	entries, err := os.ReadDir(dir)
	if err != nil {
		return annotate.Faultf(annotate.Invalid, "The folder %q cannot be read: %v.", dir, err)
	}
	if len(entries) > 0 {
		return annotate.Faultf(annotate.Conflict, "The folder %q is not empty. Restore into a new one: sideport restore %s --data DIR.", dir, "FILE")
	}
	return nil
}

// clear empties the folder again.
func clear(dir string) error {
	entries, err := os.ReadDir(dir)
	for _, e := range entries {
		err = errors.Join(err, os.RemoveAll(filepath.Join(dir, e.Name())))
	}
	return err
}

func restoreInto(ctx context.Context, r io.Reader, dir string) (files int, err error) {
	v, err := vault.Open(filepath.Join(dir, "files"))
	if err != nil {
		return 0, err
	}
	defer v.Close()
	return library.Restore(ctx, r, receiver{v, dir})
}

// receiver puts the parts of a backup where they belong.
type receiver struct {
	vault *vault.Vault
	dir   string
}

// RestoreStore puts the store back.
func (t receiver) RestoreStore(ctx context.Context, r io.Reader) error {
	_, err := store.Restore(ctx, t.dir, r)
	return err
}

// PutStream puts a file back.
func (t receiver) PutStream(ctx context.Context, r io.Reader) (string, error) {
	e, err := t.vault.Put(ctx, r)
	return e.Hash, sayFull(err)
}
