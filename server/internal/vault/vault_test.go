package vault

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"testing/iotest"
)

func open(t testing.TB, dir string) *Vault {
	t.Helper()
	v, err := Open(dir)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { v.Close() })
	return v
}

func hashOf(b []byte) string {
	s := sha256.Sum256(b)
	return hex.EncodeToString(s[:])
}

// files lists everything under the vault, folders left out.
func files(t testing.TB, v *Vault) []string {
	t.Helper()
	var out []string
	err := fs.WalkDir(os.DirFS(v.dir), ".", func(p string, d fs.DirEntry, err error) error {
		if err == nil && !d.IsDir() {
			out = append(out, p)
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return out
}

func write(t testing.TB, path string, b []byte) string {
	t.Helper()
	if err := os.WriteFile(path, b, 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

// The three ways in give the same entry, whatever the size against the buffers.
func TestWaysIn(t *testing.T) {
	ways := map[string]func(t *testing.T, v *Vault, b []byte) (Entry, error){
		"Put": func(t *testing.T, v *Vault, b []byte) (Entry, error) {
			return v.Put(t.Context(), iotest.HalfReader(bytes.NewReader(b)))
		},
		"PutFile": func(t *testing.T, v *Vault, b []byte) (Entry, error) {
			path := write(t, filepath.Join(t.TempDir(), "in"), b)
			e, err := v.PutFile(t.Context(), path)
			if got, rerr := os.ReadFile(path); rerr != nil || !bytes.Equal(got, b) {
				t.Errorf("the source was touched: %d bytes, %v", len(got), rerr)
			}
			return e, err
		},
		"Adopt": func(t *testing.T, v *Vault, b []byte) (Entry, error) {
			dir, remove, err := v.Scratch()
			if err != nil {
				t.Fatal(err)
			}
			defer remove()
			path := write(t, filepath.Join(dir, "in"), b)
			e, err := v.Adopt(t.Context(), path)
			if _, serr := os.Stat(path); !errors.Is(serr, fs.ErrNotExist) {
				t.Errorf("the scratch file is still there: %v", serr)
			}
			return e, err
		},
	}
	for way, in := range ways {
		for _, size := range []int{0, 1, chunk - 1, chunk, chunk + 1, 9*chunk + 7} {
			t.Run(way, func(t *testing.T) {
				b := bytes.Repeat([]byte("sideport"), size/8+1)[:size]
				v := open(t, t.TempDir())
				want := Entry{Hash: hashOf(b), Size: int64(size), New: true}
				if e, err := in(t, v, b); err != nil || e != want {
					t.Fatalf("first time, %d bytes: got %+v, %v, want %+v", size, e, err, want)
				}
				want.New = false
				if e, err := in(t, v, b); err != nil || e != want {
					t.Fatalf("second time, %d bytes: got %+v, %v, want %+v", size, e, err, want)
				}
				if got := files(t, v); len(got) != 1 || got[0] != want.Hash[:2]+"/"+want.Hash {
					t.Errorf("files in the vault: %q", got)
				}
				f, err := v.Open(want.Hash)
				if err != nil {
					t.Fatal(err)
				}
				defer f.Close()
				if got, err := io.ReadAll(f); err != nil || !bytes.Equal(got, b) {
					t.Errorf("read back %d bytes, %v", len(got), err)
				}
				if err := v.Verify(t.Context(), want.Hash); err != nil {
					t.Error(err)
				}
			})
		}
	}
}

// Whatever goes wrong, the vault holds what it held before.
func TestNothingStays(t *testing.T) {
	broken := errors.New("the cable was pulled")
	cancelled, cancel := context.WithCancel(t.Context())
	cancel()
	half := func(err error) io.Reader {
		return io.MultiReader(strings.NewReader(strings.Repeat("x", 3*chunk/2)), iotest.ErrReader(err))
	}
	fifo := filepath.Join(t.TempDir(), "pipe")
	if err := syscall.Mkfifo(fifo, 0o600); err != nil {
		t.Fatal(err)
	}
	tests := []struct {
		name string
		put  func(v *Vault) (Entry, error)
		want error
	}{
		{"reader fails", func(v *Vault) (Entry, error) { return v.Put(t.Context(), half(broken)) }, broken},
		{"upload cut off", func(v *Vault) (Entry, error) { return v.Put(t.Context(), half(io.ErrUnexpectedEOF)) }, io.ErrUnexpectedEOF},
		{"cancelled", func(v *Vault) (Entry, error) { return v.Put(cancelled, half(io.EOF)) }, context.Canceled},
		{"no such file", func(v *Vault) (Entry, error) { return v.PutFile(t.Context(), "/no/such") }, fs.ErrNotExist},
		{"a folder", func(v *Vault) (Entry, error) { return v.PutFile(t.Context(), v.dir) }, nil},
		{"a named pipe", func(v *Vault) (Entry, error) { return v.PutFile(t.Context(), fifo) }, nil},
		{"adopt nothing", func(v *Vault) (Entry, error) { return v.Adopt(t.Context(), v.dir+"/scratch/no") }, fs.ErrNotExist},
		{"adopt a folder", func(v *Vault) (Entry, error) { return v.Adopt(t.Context(), v.dir+"/scratch") }, nil},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			v := open(t, t.TempDir())
			e, err := tt.put(v)
			if err == nil || !errors.Is(err, tt.want) && tt.want != nil || e != (Entry{}) {
				t.Errorf("got %+v, %v, want %v", e, err, tt.want)
			}
			if got := files(t, v); len(got) > 0 {
				t.Errorf("left behind: %q", got)
			}
		})
	}
}

// A symbolic link in scratch could lead out of it: it is not adopted.
func TestAdoptLink(t *testing.T) {
	v := open(t, t.TempDir())
	secret := write(t, filepath.Join(t.TempDir(), "secret"), []byte("secret"))
	link := filepath.Join(v.dir, scratch, "link")
	if err := os.Symlink(secret, link); err != nil {
		t.Fatal(err)
	}
	if e, err := v.Adopt(t.Context(), link); err == nil {
		t.Errorf("adopted a symbolic link as %+v", e)
	}
	if _, err := os.Stat(secret); err != nil {
		t.Error(err)
	}
}

func TestDiskFull(t *testing.T) {
	const room = 8 << 20
	dir := t.TempDir()
	if err := syscall.Mount("none", dir, "tmpfs", 0, "size=8m"); err != nil {
		if os.Getenv("TEST_NO_SKIP") == "1" {
			t.Fatalf("no small disk to fill: %v", err)
		}
		t.Skipf("a small disk to fill needs root: %v", err)
	}
	t.Cleanup(func() {
		if err := syscall.Unmount(dir, 0); err != nil {
			t.Error(err)
		}
	})
	v, err := Open(filepath.Join(dir, "vault"))
	if err != nil {
		t.Fatal(err)
	}
	defer v.Close()
	big := write(t, filepath.Join(t.TempDir(), "big"), make([]byte, 2*room))
	tests := []struct {
		name   string
		put    func() (Entry, error)
		needed int64
	}{
		{"size known", func() (Entry, error) { return v.PutFile(t.Context(), big) }, 2 * room},
		{"full in the middle", func() (Entry, error) {
			return v.Put(t.Context(), io.LimitReader(zeros{}, 2*room))
		}, room},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			_, err := tt.put()
			full, ok := errors.AsType[*FullError](err)
			if !ok {
				t.Fatalf("got %v, want a FullError", err)
			}
			if full.Needed < tt.needed || full.Free < room*9/10 || full.Free > room {
				t.Errorf("needed %d, free %d: want at least %d, about %d", full.Needed, full.Free, tt.needed, room)
			}
			for _, part := range []string{"disk that holds the library is full", " MB is free", "add the file again"} {
				if !strings.Contains(err.Error(), part) {
					t.Errorf("%q does not say %q", err, part)
				}
			}
			if got := files(t, v); len(got) > 0 {
				t.Errorf("left behind: %q", got)
			}
		})
	}
	if _, err := v.Put(t.Context(), strings.NewReader("a small one still fits")); err != nil {
		t.Error(err)
	}
}

type zeros struct{}

func (zeros) Read(b []byte) (int, error) { clear(b); return len(b), nil }

// No name leads out of the vault or into its scratch folder.
func TestNames(t *testing.T) {
	v := open(t, t.TempDir())
	good := hashOf([]byte("never stored"))
	write(t, filepath.Join(v.dir, "outside"), []byte("x"))
	for _, name := range []string{"", ".", "..", "../outside", "outside", "scratch", "/etc/passwd", good,
		strings.ToUpper(good), good[:63], good + "0", "..%2f" + good[5:], "../" + good[3:], good[:60] + "/../"} {
		if f, err := v.Open(name); !errors.Is(err, fs.ErrNotExist) {
			t.Errorf("Open(%q) = %v, %v, want fs.ErrNotExist", name, f, err)
		}
		if p, err := v.Path(name); !errors.Is(err, fs.ErrNotExist) {
			t.Errorf("Path(%q) = %q, %v, want fs.ErrNotExist", name, p, err)
		}
		if has, err := v.Has(name); has || err != nil {
			t.Errorf("Has(%q) = %v, %v", name, has, err)
		}
		if err := v.Remove(name); err != nil && !errors.Is(err, fs.ErrNotExist) {
			t.Errorf("Remove(%q) = %v", name, err)
		}
	}
	if _, err := os.Stat(filepath.Join(v.dir, "outside")); err != nil {
		t.Error(err)
	}
}

func TestEachVerifyRemove(t *testing.T) {
	v := open(t, t.TempDir())
	want := map[string]int64{}
	for _, s := range []string{"one", "three", ""} {
		e, err := v.Put(t.Context(), strings.NewReader(s))
		if err != nil {
			t.Fatal(err)
		}
		want[e.Hash] = e.Size
	}
	write(t, filepath.Join(v.dir, "note.txt"), []byte("not ours"))
	write(t, filepath.Join(v.dir, scratch, hashOf([]byte("half"))), []byte("ha"))
	last, n := "", 0
	err := v.Each(t.Context(), func(e Entry) error {
		if size, ok := want[e.Hash]; !ok || size != e.Size || e.Hash <= last || e.New {
			t.Errorf("got %+v after %q", e, last)
		}
		last, n = e.Hash, n+1
		return nil
	})
	if err != nil || n != len(want) {
		t.Errorf("listed %d of %d, %v", n, len(want), err)
	}
	stop := errors.New("stop")
	if err := v.Each(t.Context(), func(Entry) error { return stop }); !errors.Is(err, stop) {
		t.Errorf("got %v, want %v", err, stop)
	}

	bad := hashOf([]byte("three"))
	path, err := v.Path(bad)
	if err != nil || !filepath.IsAbs(path) {
		t.Fatalf("path %q, %v", path, err)
	}
	if err := os.Chmod(path, 0o600); err != nil {
		t.Fatal(err)
	}
	write(t, path, []byte("thr33"))
	if err := v.Verify(t.Context(), bad); !errors.Is(err, ErrDamaged) {
		t.Errorf("verify of a damaged file: %v, want ErrDamaged", err)
	}
	if e, err := v.Put(t.Context(), strings.NewReader("three")); err != nil || e.New {
		t.Errorf("put again: %+v, %v", e, err)
	}
	if err := v.Verify(t.Context(), bad); err != nil {
		t.Errorf("adding the file again did not mend it: %v", err)
	}

	for range 2 {
		if err := v.Remove(bad); err != nil {
			t.Error(err)
		}
	}
	if has, err := v.Has(bad); has || err != nil {
		t.Errorf("after removal: %v, %v", has, err)
	}
	if err := v.Verify(t.Context(), bad); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("verify of a removed file: %v, want fs.ErrNotExist", err)
	}
}

// Leftovers go when the vault is opened, but not from under somebody else.
func TestScratch(t *testing.T) {
	dir := t.TempDir()
	v := open(t, dir)
	work, remove, err := v.Scratch()
	if err != nil {
		t.Fatal(err)
	}
	left := write(t, filepath.Join(work, "half"), []byte("x"))
	second := open(t, dir)
	if _, err := os.Stat(left); err != nil {
		t.Errorf("a second opening took away what the first still uses: %v", err)
	}
	remove()
	if _, err := os.Stat(work); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("removed scratch folder is there: %v", err)
	}
	write(t, filepath.Join(dir, scratch, "leftover"), []byte("x"))
	v.Close()
	second.Close()
	if got := files(t, open(t, dir)); len(got) > 0 {
		t.Errorf("leftovers after opening: %q", got)
	}
}
