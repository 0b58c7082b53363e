package library

import (
	"archive/tar"
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"io"
	"maps"
	"slices"
	"strings"
	"testing"

	"sideport/annotate"
)

// ledger is a store that is copied as a line of text.
type ledger struct{ err error }

func (l ledger) Backup(_ context.Context, w io.Writer) (uint64, error) {
	_, err := io.WriteString(w, "the store")
	return 7, errors.Join(err, l.err)
}

// box receives a backup.
type box struct {
	store string
	files map[string]string
	err   error
}

func (b *box) RestoreStore(_ context.Context, r io.Reader) error {
	s, err := io.ReadAll(r)
	b.store = string(s)
	return errors.Join(err, b.err)
}

func (b *box) PutStream(_ context.Context, r io.Reader) (string, error) {
	s, err := io.ReadAll(r)
	sum := sha256.Sum256(s)
	hash := hex.EncodeToString(sum[:])
	if b.files == nil {
		b.files = map[string]string{}
	}
	b.files[hash] = string(s)
	return hash, err
}

func backupOf(t testing.TB, w *world) []byte {
	t.Helper()
	var b bytes.Buffer
	if err := w.Backup(t.Context(), &b, ledger{}); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

func TestBackupAndBack(t *testing.T) {
	w := newWorld(t)
	w.mustAdd(t, "case.yaml", twoFilms, "a.mp4", "film a", "b.mp4", "film b", "a.vtt", vtt, "day1.jpg", "photo")
	w.mustAdd(t, "case.yaml", oneFilm, "a.mp4", "film a")
	w.work(t)
	var b box
	n, err := Restore(t.Context(), bytes.NewReader(backupOf(t, w)), &b)
	if err != nil || n != 3 || b.store != "the store" {
		t.Fatalf("%d files, store %q, %v", n, b.store, err)
	}
	// Two films and the photograph, each once; nothing that can be made again.
	if got, want := slices.Sorted(maps.Values(b.files)), []string{"clean photo", "film a", "film b"}; !slices.Equal(got, want) {
		t.Errorf("came back as %q, want %q", got, want)
	}
	w.nothingLeft(t)
}

func TestBackupThatCannotBeWhole(t *testing.T) {
	for name, spoil := range map[string]func(w *world) (Copier, annotate.Cause){
		"original gone": func(w *world) (Copier, annotate.Cause) {
			_ = w.Files.Remove(w.stored(t)[0])
			return ledger{}, annotate.Missing
		},
		"store fails": func(*world) (Copier, annotate.Cause) { return ledger{errDisk}, "" },
	} {
		t.Run(name, func(t *testing.T) {
			w := newWorld(t)
			w.mustAdd(t, "case.yaml", oneFilm, "a.mp4", "film")
			store, cause := spoil(w)
			var b bytes.Buffer
			if err := w.Backup(t.Context(), &b, store); err == nil || annotate.CauseOf(err) != cause {
				t.Errorf("got %v, want cause %q", err, cause)
			}
			if b.Len() != 0 {
				t.Errorf("%d bytes went out before the gap was seen", b.Len())
			}
		})
	}
	w := newWorld(t)
	w.mustAdd(t, "case.yaml", oneFilm, "a.mp4", "film")
	if err := w.Backup(t.Context(), fullDisk{}, ledger{}); !errors.Is(err, errDisk) {
		t.Errorf("writing to a full disk: %v", err)
	}
	w.nothingLeft(t)
}

// fullDisk takes nothing.
type fullDisk struct{}

func (fullDisk) Write([]byte) (int, error) { return 0, errDisk }

// entry is one of a tar.
type entry struct {
	name, body string
	kind       byte
}

func tarOf(t testing.TB, entries ...entry) []byte {
	t.Helper()
	var b bytes.Buffer
	w := tar.NewWriter(&b)
	for _, e := range entries {
		h := &tar.Header{Name: e.name, Mode: 0o600, Size: int64(len(e.body)), Typeflag: e.kind}
		if e.kind == tar.TypeSymlink {
			h.Linkname, h.Size, e.body = "/etc/passwd", 0, ""
		}
		if err := w.WriteHeader(h); err != nil {
			t.Fatal(err)
		}
		if _, err := io.WriteString(w, e.body); err != nil {
			t.Fatal(err)
		}
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

// holes is an archive of a few bytes that says it unpacks to a tebibyte.
func holes(t *testing.T, store entry) []byte {
	t.Helper()
	var b bytes.Buffer
	w := tar.NewWriter(&b)
	for _, h := range []*tar.Header{
		{Name: store.name, Mode: 0o600, Size: int64(len(store.body))},
		{Name: "files/x", Mode: 0o600, Size: 1, PAXRecords: map[string]string{"GNU.sparsX.map": "0,1", "GNU.sparsX.numblocks": "1", "GNU.sparsX.size": "1099511627776"}},
	} {
		if err := w.WriteHeader(h); err != nil {
			t.Fatal(err)
		}
		if _, err := io.WriteString(w, store.body[:h.Size]); err != nil {
			t.Fatal(err)
		}
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	// The writer would not write these names; the reader takes them.
	return bytes.ReplaceAll(b.Bytes(), []byte("sparsX"), []byte("sparse"))
}

func TestRestoreRefuses(t *testing.T) {
	w := newWorld(t)
	w.mustAdd(t, "case.yaml", oneFilm, "a.mp4", strings.Repeat("film", 1000))
	good := backupOf(t, w)
	sum := sha256.Sum256([]byte("x"))
	x := hex.EncodeToString(sum[:])
	store := entry{"library.db", "the store", tar.TypeReg}
	end := func(files string) entry {
		return entry{"manifest.json", `{"change":1,"files":[` + files + `]}`, tar.TypeReg}
	}
	flipped := slices.Clone(good)
	flipped[bytes.Index(flipped, []byte("filmfilm"))]++
	tests := map[string]struct {
		b   []byte
		say string
	}{
		"empty":                   {nil, "cut short"},
		"not an archive":          {bytes.Repeat([]byte("words "), 1000), "not a backup"},
		"cut in the store":        {good[:600], "cut short"},
		"cut after the store":     {good[:1024], "cut short"},
		"cut in a film":           {good[:2048], "cut short"},
		"cut before the manifest": {good[:bytes.Index(good, []byte("manifest.json"))], "cut short"},
		"a bit is wrong":          {flipped, "damaged"},
		"no store":                {tarOf(t, end("")), "where \"library.db\" belongs"},
		"two stores":              {tarOf(t, store, store, end("")), "not a backup"},
		"no manifest":             {tarOf(t, store), "cut short"},
		"manifest is no JSON":     {tarOf(t, store, entry{"manifest.json", "{", tar.TypeReg}), "cut short"},
		"a file too few":          {tarOf(t, store, end(`"`+x+`"`)), "lists 1 files and holds 0"},
		"a file too many":         {tarOf(t, store, entry{"files/" + x, "x", tar.TypeReg}, end("")), "lists 0 files and holds 1"},
		"another name":            {tarOf(t, store, entry{"files/../../x", "x", tar.TypeReg}, end("")), "damaged"},
		"something else":          {tarOf(t, store, entry{"x", "x", tar.TypeReg}, end("")), `holds "x"`},
		"a link":                  {tarOf(t, store, entry{"files/" + x, "", tar.TypeSymlink}, end("")), "not a plain file"},
		"a file with holes":       {holes(t, store), "not a plain file"},
		"a folder":                {tarOf(t, entry{"library.db", "", tar.TypeDir}, end("")), "not a plain file"},
	}
	for name, tt := range tests {
		t.Run(name, func(t *testing.T) {
			n, err := Restore(t.Context(), bytes.NewReader(tt.b), &box{})
			if annotate.CauseOf(err) != annotate.Invalid || !strings.Contains(err.Error(), tt.say) {
				t.Errorf("%d files, %v; want a fault that says %q", n, err, tt.say)
			}
		})
	}
	for at := range good[:len(good)-1024] { // what follows the manifest is padding
		if at%97 != 0 {
			continue
		}
		if n, err := Restore(t.Context(), bytes.NewReader(good[:at]), &box{}); annotate.CauseOf(err) != annotate.Invalid {
			if at > bytes.Index(good, []byte("manifest.json"))+512 && err == nil {
				continue // all of it had come
			}
			t.Fatalf("cut at %d of %d: %d files, %v", at, len(good), n, err)
		}
	}
	if _, err := Restore(t.Context(), bytes.NewReader(good), &box{err: errDisk}); !errors.Is(err, errDisk) {
		t.Errorf("a store that cannot be kept: %v", err)
	}
}

func FuzzRestore(f *testing.F) {
	sum := sha256.Sum256([]byte("x"))
	x := hex.EncodeToString(sum[:])
	f.Add(tarOf(f, entry{"library.db", "s", tar.TypeReg}, entry{"files/" + x, "x", tar.TypeReg}, entry{"manifest.json", `{"files":["` + x + `"]}`, tar.TypeReg}))
	f.Add(tarOf(f, entry{"library.db", "s", tar.TypeReg}, entry{"manifest.json", `{}`, tar.TypeReg}))
	f.Add([]byte("library.db"))
	f.Fuzz(func(t *testing.T, b []byte) {
		var to box
		n, err := Restore(t.Context(), bytes.NewReader(b), &to)
		if err == nil && (n != len(to.files) && n < len(to.files) || to.store == "" && !bytes.Contains(b, []byte("library.db"))) {
			t.Errorf("%d files were restored of %d", n, len(to.files))
		}
	})
}
