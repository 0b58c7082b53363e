package vault

import (
	"crypto/rand"
	"io"
	"os"
	"path/filepath"
	"testing"
	"time"
)

// BenchmarkPutFile adds a film of 2 GB (64 MB with -short) and gives the time
// as a ratio to that of `cp` and then `sha256sum` of the same file on the same
// disk, each run in turn.
func BenchmarkPutFile(b *testing.B) {
	size := int64(2 << 30)
	if testing.Short() {
		size = 64 << 20
	}
	dir := b.TempDir()
	film, twin := filepath.Join(dir, "film"), filepath.Join(dir, "copy")
	f, err := os.Create(film)
	if err != nil {
		b.Fatal(err)
	}
	if _, err := io.CopyN(f, rand.Reader, size); err != nil {
		b.Fatal(err)
	}
	if err := f.Sync(); err != nil {
		b.Fatal(err)
	}
	f.Close()
	v := open(b, filepath.Join(dir, "vault"))
	b.SetBytes(size)
	var ours, theirs time.Duration
	for b.Loop() {
		b.StopTimer()
		start := time.Now()
		run(b, "cp", film, twin)
		run(b, "sha256sum", twin)
		theirs += time.Since(start)
		if err := os.Remove(twin); err != nil {
			b.Fatal(err)
		}
		b.StartTimer()
		start = time.Now()
		e, err := v.PutFile(b.Context(), film)
		ours += time.Since(start)
		if err != nil || !e.New {
			b.Fatalf("got %+v, %v", e, err)
		}
		b.StopTimer()
		if err := v.Remove(e.Hash); err != nil {
			b.Fatal(err)
		}
		b.StartTimer()
	}
	b.ReportMetric(ours.Seconds()/theirs.Seconds(), "of-cp+sha256sum")
}

// run waits for a program; os/exec belongs to the media package alone.
func run(b *testing.B, name string, args ...string) {
	b.Helper()
	null, err := os.OpenFile(os.DevNull, os.O_RDWR, 0)
	if err != nil {
		b.Fatal(err)
	}
	defer null.Close()
	for _, dir := range []string{"/usr/bin", "/bin"} {
		path := filepath.Join(dir, name)
		if _, err := os.Stat(path); err != nil {
			continue
		}
		p, err := os.StartProcess(path, append([]string{name}, args...), &os.ProcAttr{Files: []*os.File{null, null, os.Stderr}})
		if err != nil {
			b.Fatal(err)
		}
		if s, err := p.Wait(); err != nil || !s.Success() {
			b.Fatalf("%s: %v, %v", name, s, err)
		}
		return
	}
	b.Skipf("%s is not installed", name)
}
