package index

import (
	"encoding/binary"
	"errors"
	"fmt"
	"hash/crc32"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"runtime/debug"
	"strings"

	"github.com/blevesearch/bleve/v2"
)

var (
	errMissing = errors.New("there is none")
	errHeld    = errors.New("another process holds it")
)

// openSound opens the index in dir if it can be relied on, or says why not.
func openSound(dir, form string) (b bleve.Index, err error) {
	entries, err := os.ReadDir(dir)
	if errors.Is(err, fs.ErrNotExist) || err == nil && len(entries) == 0 {
		return nil, errMissing
	}
	if err != nil {
		return nil, fmt.Errorf("read the folder: %w", err)
	}
	if err := checkSums(dir); err != nil {
		return nil, err
	}
	b, err = openGuarded(dir)
	if err != nil {
		return nil, err
	}
	err = sound(b, form)
	if err != nil {
		_ = b.Close()
		return nil, err
	}
	return b, nil
}

// openGuarded turns what a truncated file does to its reader, a panic or a
// fault of memory, into an error.
func openGuarded(dir string) (b bleve.Index, err error) {
	defer debug.SetPanicOnFault(debug.SetPanicOnFault(true))
	defer func() {
		if r := recover(); r != nil {
			b, err = nil, fmt.Errorf("it is damaged: %v", r)
		}
	}()
	b, err = bleve.OpenUsing(dir, settings())
	if err != nil {
		if strings.Contains(err.Error(), "timeout") {
			return nil, errHeld
		}
		return nil, fmt.Errorf("it is damaged: %w", err)
	}
	return b, nil
}

func sound(b bleve.Index, form string) error {
	was, err := b.GetInternal(formKey)
	if err != nil {
		return fmt.Errorf("it is damaged: %w", err)
	}
	if string(was) != form {
		return errors.New("it was made by another version")
	}
	// An index at 0 was never filled, or not to the end; the store below also
	// falls back to such a state when a file of a later one is gone.
	if readSeq(b) == 0 {
		return errors.New("it was not filled to the end")
	}
	return nil
}

// checkSums holds every segment file against the CRC-32 in its last four bytes
// (the zap format's footer), for the store itself reads damaged files without
// noticing.
func checkSums(dir string) error {
	files, err := filepath.Glob(filepath.Join(dir, "store", "*.zap"))
	if err != nil {
		return fmt.Errorf("list the segments: %w", err)
	}
	for _, name := range files {
		if err := checkSum(name); err != nil {
			return fmt.Errorf("segment %s: %w", filepath.Base(name), err)
		}
	}
	return nil
}

func checkSum(name string) error {
	f, err := os.Open(name)
	if err != nil {
		return err
	}
	defer f.Close()
	info, err := f.Stat()
	if err != nil {
		return err
	}
	if info.Size() < 4 {
		return errors.New("it is cut short")
	}
	sum := crc32.NewIEEE()
	if _, err := io.CopyN(sum, f, info.Size()-4); err != nil {
		return err
	}
	var want [4]byte
	if _, err := io.ReadFull(f, want[:]); err != nil {
		return err
	}
	if binary.BigEndian.Uint32(want[:]) != sum.Sum32() {
		return errors.New("its sum does not match")
	}
	return nil
}
