package store

import (
	"bufio"
	"bytes"
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"syscall"
	"testing"

	"go.etcd.io/bbolt"

	"sideport/annotate"
)

// childEnv names the library that a child of the test writes to until killed.
const childEnv = "STORE_TEST_CHILD"

// applyForEver puts notes into the library and prints the number of each
// change once it is acknowledged.
func applyForEver(dir string) {
	ctx := context.Background()
	s, err := Open(ctx, dir, Options{})
	if err != nil {
		fmt.Println(err)
		os.Exit(1)
	}
	if _, err := s.Case(ctx, "c1"); err != nil {
		if _, err := s.Apply(ctx, "a1", annotate.Edit{Case: "c1", Add: testCase()}); err != nil {
			fmt.Println(err)
			os.Exit(1)
		}
	}
	for {
		last, _ := s.LastSeq(ctx)
		n := remark(fmt.Sprintf("k%d", last+1), int(last%500), strings.Repeat("words ", int(last%400)))
		c, err := s.Apply(ctx, "a1", annotate.Edit{Case: "c1", PutNote: &n})
		if err != nil {
			fmt.Println(err)
			os.Exit(1)
		}
		fmt.Println(c.Seq)
	}
}

// TestKilled kills a writer without warning, again and again, in one library:
// each change that it was told of is there afterwards, and the file is sound.
func TestKilled(t *testing.T) {
	dir := t.TempDir()
	for _, after := range []int{1, 2, 7, 25, 60} {
		acknowledged := killAfter(t, dir, after)
		s := openIn(t, dir)
		if last := lastSeq(t, s); last < acknowledged {
			t.Fatalf("change %d was acknowledged and the library ends at %d", acknowledged, last)
		}
		c := read(t, s, "c1")
		changes, err := s.Changes(t.Context(), 0, 0)
		if err != nil {
			t.Fatal(err)
		}
		for _, ch := range changes[1:] {
			if n, ok := c.Note(ch.Note); !ok || n.Rev != ch.Seq {
				t.Errorf("change %d put the note %s, which is there: %v, with rev %d", ch.Seq, ch.Note, ok, n.Rev)
			}
		}
		closeSound(t, s)
	}
}

// killAfter runs a writer, kills it once it has said n numbers and gives the
// last number that it said.
func killAfter(t *testing.T, dir string, n int) (last uint64) {
	t.Helper()
	out, in, err := os.Pipe()
	if err != nil {
		t.Fatal(err)
	}
	defer out.Close()
	child, err := os.StartProcess(os.Args[0], os.Args[:1], &os.ProcAttr{
		Env: append(os.Environ(), childEnv+"="+dir), Files: []*os.File{nil, in, os.Stderr}})
	in.Close()
	if err != nil {
		t.Fatal(err)
	}
	lines := bufio.NewScanner(out)
	for i := 1; lines.Scan(); i++ {
		if last, err = strconv.ParseUint(lines.Text(), 10, 64); err != nil {
			t.Errorf("the writer said %q", lines.Text())
			break
		}
		if i == n {
			if err := child.Signal(syscall.SIGKILL); err != nil {
				t.Error(err)
			}
		}
	}
	state, err := child.Wait()
	if err != nil || state.Success() {
		t.Fatalf("the writer ended with %v, %v", state, err)
	}
	return last
}

// TestTorn: a loss of power in the very last write, that of the file's head,
// leaves the library as it was before that change.
func TestTorn(t *testing.T) {
	dir := t.TempDir()
	s := openIn(t, dir)
	apply(t, s, annotate.Edit{Case: "c1", Add: testCase()})
	n := remark("n9", 50, "not yet acknowledged")
	apply(t, s, annotate.Edit{Case: "c1", PutNote: &n})
	tx, err := s.db.Begin(false)
	if err != nil {
		t.Fatal(err)
	}
	newest := int64(tx.ID()%2) * int64(os.Getpagesize()) // bbolt writes its two heads in turn
	if err := errors.Join(tx.Rollback(), s.Close()); err != nil {
		t.Fatal(err)
	}
	f, err := os.OpenFile(filepath.Join(dir, fileName), os.O_RDWR, 0)
	if err != nil {
		t.Fatal(err)
	}
	_, err = f.WriteAt(make([]byte, 40), newest+40) // the second half of the head
	if err := errors.Join(err, f.Close()); err != nil {
		t.Fatal(err)
	}
	s = openIn(t, dir)
	if _, ok := func() (annotate.Note, bool) { c := read(t, s, "c1"); return c.Note("n9") }(); ok || lastSeq(t, s) != 1 {
		t.Errorf("the torn change is there: %v; the log ends at %d, want 1", ok, lastSeq(t, s))
	}
}

// TestDiskFull fills a small disk: the refused edit leaves the case as it was,
// and the next one works once there is space.
func TestDiskFull(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "small")
	if err := os.Mkdir(dir, 0o700); err != nil {
		t.Fatal(err)
	}
	maxSize := 0
	if err := syscall.Mount("tmpfs", dir, "tmpfs", 0, "size=1m"); err != nil {
		t.Logf("no small disk can be made here (%v); the file's size is limited instead", err)
		maxSize = 1 << 20
	} else {
		t.Cleanup(func() { syscall.Unmount(dir, 0) })
	}
	s, err := open(t.Context(), dir, Options{}, steps(), maxSize)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { closeSound(t, s) })
	ballast := filepath.Join(dir, "ballast")
	if maxSize == 0 {
		if err := os.WriteFile(ballast, make([]byte, 256<<10), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	apply(t, s, annotate.Edit{Case: "c1", Add: testCase()})
	fill(t, s)

	if maxSize == 0 {
		err = os.Remove(ballast)
	} else {
		s.db.MaxSize = 4 << 20
	}
	if err != nil {
		t.Fatal(err)
	}
	n := remark("after", 60, "there is space again")
	apply(t, s, annotate.Edit{Case: "c1", PutNote: &n})
}

// fill puts captions until there is no space, and expects the last to be
// refused and to have changed nothing.
func fill(t *testing.T, s *Store) {
	t.Helper()
	for i := range 1000 {
		before, seq := read(t, s, "c1"), lastSeq(t, s)
		_, err := s.Apply(t.Context(), "a1", annotate.Edit{Case: "c1", Captions: &annotate.CaptionsEdit{
			Recording: "r1", Track: annotate.Track{Language: fmt.Sprintf("x-%d", i), Cues: cues(strings.Repeat("full ", 100), 30)}}})
		if err == nil {
			continue
		}
		if annotate.CauseOf(err) != annotate.Busy || !strings.Contains(err.Error(), "space") {
			t.Fatalf("got %v, want Busy for want of space", err)
		}
		diffCases(t, before, read(t, s, "c1"))
		if now := lastSeq(t, s); now != seq {
			t.Errorf("a refused edit moved the log from %d to %d", seq, now)
		}
		return
	}
	t.Fatal("the disk did not become full")
}

// TestFirstStartOnFullDisk: what a full disk left of a new file does not stand
// in the way of the next start.
func TestFirstStartOnFullDisk(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "small")
	if err := os.Mkdir(dir, 0o700); err != nil {
		t.Fatal(err)
	}
	if err := syscall.Mount("tmpfs", dir, "tmpfs", 0, "size=64k"); err != nil {
		t.Logf("no small disk can be made here (%v); nothing to see", err)
		return
	}
	t.Cleanup(func() { syscall.Unmount(dir, 0) })
	ballast := filepath.Join(dir, "ballast")
	if err := os.WriteFile(ballast, make([]byte, 60<<10), 0o600); err != nil {
		t.Fatal(err)
	}
	if _, err := Open(t.Context(), dir, Options{}); annotate.CauseOf(err) != annotate.Busy {
		t.Fatalf("got %v, want Busy", err)
	}
	if err := os.Remove(ballast); err != nil {
		t.Fatal(err)
	}
	openIn(t, dir)
}

// TestPanicInside: a damaged page found later is an error, and the library
// goes on for everyone else.
func TestPanicInside(t *testing.T) {
	s := newStore(t)
	err := s.view(t.Context(), func(*bbolt.Tx) error { panic("page 7: unexpected page type") })
	if err == nil || !strings.Contains(err.Error(), "damaged") || !strings.Contains(err.Error(), fileName) {
		t.Errorf("got %v, want the damaged file", err)
	}
	apply(t, s, annotate.Edit{Case: "c1", Add: testCase()})
}

// TestDamagedPage spoils each page of a library in turn: whoever meets it gets
// an error or a right answer, Check says so unless the page was free, and the
// process goes on.
func TestDamagedPage(t *testing.T) {
	dir := t.TempDir()
	s := openIn(t, dir)
	for i := range 5 {
		apply(t, s, annotate.Edit{Case: fmt.Sprint("c", i), Add: testCase()})
	}
	want := read(t, s, "c3")
	closeSound(t, s)
	good, err := os.ReadFile(filepath.Join(dir, fileName))
	if err != nil {
		t.Fatal(err)
	}
	size, found := os.Getpagesize(), 0
	for at := 2 * size; at < len(good); at += size {
		bad := slices.Concat(good[:at], bytes.Repeat([]byte("A"), size), good[at+size:])
		if err := os.WriteFile(filepath.Join(dir, fileName), bad, 0o600); err != nil {
			t.Fatal(err)
		}
		if meet(t, dir, want) {
			found++
		}
	}
	if found == 0 {
		t.Error("no spoilt page was found")
	}
}

// meet uses the library in dir and says whether anything wrong was noticed.
func meet(t *testing.T, dir string, want annotate.Case) bool {
	t.Helper()
	s, err := Open(t.Context(), dir, Options{})
	if err != nil {
		return annotate.CauseOf(err) == annotate.Invalid
	}
	defer s.Close()
	c, err := s.Case(t.Context(), "c3")
	if err == nil {
		diffCases(t, want, c)
	}
	n := remark("n1", 3, "x")
	_, applied := s.Apply(t.Context(), "a1", annotate.Edit{Case: "c3", PutNote: &n})
	problems, checked := s.Check(t.Context())
	if noticed := len(problems) > 0 || checked != nil; !noticed && (err != nil || applied != nil) {
		t.Errorf("reading says %v, writing %v, and the check nothing", err, applied)
	}
	return len(problems) > 0 || checked != nil
}
