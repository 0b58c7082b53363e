package store

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"go.etcd.io/bbolt"

	"sideport/annotate"
)

var update = flag.Bool("update", false, "write the fixtures anew")

func TestMain(m *testing.M) {
	if dir := os.Getenv(childEnv); dir != "" {
		applyForEver(dir)
	}
	os.Exit(m.Run())
}

// newStore opens a library that is checked when the test ends.
func newStore(t *testing.T) *Store {
	t.Helper()
	return openIn(t, t.TempDir())
}

func openIn(t *testing.T, dir string) *Store {
	t.Helper()
	s, err := Open(t.Context(), dir, Options{Now: clock()})
	if err != nil {
		t.Fatalf("open %s: %v", dir, err)
	}
	t.Cleanup(func() { closeSound(t, s) })
	return s
}

// closeSound closes s after holding it against its own check and bbolt's.
func closeSound(t *testing.T, s *Store) {
	t.Helper()
	if s.closed {
		return
	}
	// Not t.Context: that one has ended when clean-ups run.
	problems, err := s.Check(context.Background())
	if err != nil {
		t.Errorf("check at the end: %v", err)
	}
	for _, p := range problems {
		t.Errorf("the library is not sound: %v", p)
	}
	if err := s.Close(); err != nil {
		t.Errorf("close: %v", err)
	}
}

// clock ticks a second a call, from a day of no meaning.
func clock() func() time.Time {
	at := time.Date(2026, 3, 1, 8, 0, 0, 0, time.UTC)
	return func() time.Time { at = at.Add(time.Second); return at }
}

func apply(t *testing.T, s *Store, e annotate.Edit) annotate.Change {
	t.Helper()
	c, err := s.Apply(t.Context(), "a1", e)
	if err != nil {
		t.Fatalf("%s: %v", e.Action(), err)
	}
	return c
}

func read(t *testing.T, s *Store, id string) annotate.Case {
	t.Helper()
	c, err := s.Case(t.Context(), id)
	if err != nil {
		t.Fatalf("read case %s: %v", id, err)
	}
	return c
}

func lastSeq(t *testing.T, s *Store) uint64 {
	t.Helper()
	n, err := s.LastSeq(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	return n
}

// testCase is a case with two recordings, three tracks, three notes.
func testCase() *annotate.Case {
	film := annotate.Film{Container: "mp4", Duration: 10 * annotate.Minute, Rate: annotate.Rate{Num: 25, Den: 1}, Width: 640, Height: 480, VideoCodec: "h264"}
	return &annotate.Case{
		Title:   "Small pupil, <loose> bag & \"ring\"",
		Patient: annotate.Patient{AgeBand: "70-79"},
		Factors: []annotate.Factor{{Term: annotate.Term{Concept: "f.small-pupil"}, Grade: "3 mm", Known: "before"}},
		Recordings: []annotate.Recording{
			{ID: "r1", Role: "microscope", Hash: hash("a"), Film: film, Captions: []annotate.Track{
				{Language: "en", Cues: cues("the bag is loose here", 3)}, {Language: "de", Cues: cues("hier", 2)}}},
			{ID: "r2", Role: "theatre", Hash: hash("b"), Offset: 2 * annotate.Second, Film: film, Captions: []annotate.Track{{Language: "en"}}},
		},
		Stills: []annotate.Still{{ID: "s1", When: "day 1", Hash: hash("c")}},
		Notes: []annotate.Note{
			remark("n2", 30, "the second"),
			remark("n1", 10, "the first"),
			{ID: "n3", Kind: "setting", Recording: "r1", Span: annotate.At(335_200_001), State: annotate.Inked,
				Fields: map[string]annotate.Fact{"values": {Quantities: []annotate.Quantity{{Parameter: "p.vacuum", Value: 120, Unit: "mmHg"}}}}},
		},
		Consent: annotate.Consent{Audience: annotate.Professionals, Obtained: "2026-03-01", Reference: "17"},
		Status:  annotate.Draft,
	}
}

func hash(letter string) string { return strings.Repeat(letter, 64) }

func cues(words string, n int) (out []annotate.Cue) {
	for i := range n {
		from := annotate.Time(i) * annotate.Second
		out = append(out, annotate.Cue{ID: fmt.Sprint(i), Span: annotate.Span{From: from, To: from + annotate.Second}, Text: words})
	}
	return out
}

func remark(id string, second int, words string) annotate.Note {
	return annotate.Note{ID: id, Kind: "remark", Recording: "r1", Span: annotate.At(annotate.Time(second) * annotate.Second), Words: words, State: annotate.Inked}
}

func TestOpen(t *testing.T) {
	t.Run("makes the folder, for its owner alone", func(t *testing.T) {
		dir := filepath.Join(t.TempDir(), "new", "library")
		openIn(t, dir)
		for path, want := range map[string]os.FileMode{dir: 0o700, filepath.Join(dir, fileName): 0o600, filepath.Join(dir, holderName): 0o600} {
			if info, err := os.Stat(path); err != nil || info.Mode().Perm() != want {
				t.Errorf("%s has mode %v (%v), want %v", path, info.Mode().Perm(), err, want)
			}
		}
	})
	t.Run("finds what was written", func(t *testing.T) {
		dir := t.TempDir()
		s := openIn(t, dir)
		apply(t, s, annotate.Edit{Case: "c1", Add: testCase()})
		want := read(t, s, "c1")
		closeSound(t, s)
		if diff := cmp.Diff(want, read(t, openIn(t, dir), "c1")); diff != "" {
			t.Errorf("the case differs after opening again:\n%s", diff)
		}
	})
	t.Run("closes twice", func(t *testing.T) {
		s := newStore(t)
		if err := errors.Join(s.Close(), s.Close()); err != nil {
			t.Error(err)
		}
		if _, err := s.Count(t.Context()); err == nil {
			t.Error("a closed library was read")
		}
	})
	t.Run("stops at an ended context", func(t *testing.T) {
		s := newStore(t)
		ctx, cancel := context.WithCancel(t.Context())
		cancel()
		_, applied := s.Apply(ctx, "a1", annotate.Edit{Case: "c1", Add: testCase()})
		_, opened := Open(ctx, t.TempDir(), Options{})
		for _, err := range []error{applied, opened, s.Keep(ctx, "x", "y", nil)} {
			if !errors.Is(err, context.Canceled) {
				t.Errorf("got %v, want the context's error", err)
			}
		}
	})
	t.Run("no folder can be there", func(t *testing.T) {
		file := filepath.Join(t.TempDir(), "file")
		if err := os.WriteFile(file, nil, 0o600); err != nil {
			t.Fatal(err)
		}
		if _, err := Open(t.Context(), file, Options{}); err == nil || !strings.Contains(err.Error(), file) {
			t.Errorf("got %v, want an error that names %s", err, file)
		}
	})
}

func TestHeld(t *testing.T) {
	dir := t.TempDir()
	s, err := Open(t.Context(), dir, Options{Now: clock(), Holder: Holder{PID: 4321, Command: "sideport serve", Address: "127.0.0.1:1", Token: "secret"}})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { closeSound(t, s) })

	_, err = Open(t.Context(), dir, Options{Timeout: time.Millisecond})
	if annotate.CauseOf(err) != annotate.Busy {
		t.Fatalf("the second open: got %v, want Busy", err)
	}
	for _, want := range []string{dir, "sideport serve", "4321", "2026"} {
		if !strings.Contains(err.Error(), want) {
			t.Errorf("the message %q does not say %q", err, want)
		}
	}
	if strings.Contains(err.Error(), "secret") {
		t.Errorf("the message %q gives the token away", err)
	}

	if err := os.Remove(filepath.Join(dir, holderName)); err != nil {
		t.Fatal(err)
	}
	if _, err = Open(t.Context(), dir, Options{Timeout: time.Millisecond}); annotate.CauseOf(err) != annotate.Busy {
		t.Errorf("nobody's name is there: got %v, want Busy", err)
	}
}

func TestHolder(t *testing.T) {
	dir := t.TempDir()
	if _, err := ReadHolder(dir); annotate.CauseOf(err) != annotate.Missing {
		t.Errorf("no holder: got %v, want Missing", err)
	}
	// What a crash left behind is no hindrance: the lock is free.
	if err := os.WriteFile(filepath.Join(dir, holderName), []byte(`{"pid": 1, "command": "long gone"}`), 0o600); err != nil {
		t.Fatal(err)
	}
	s := openIn(t, dir)
	h, err := ReadHolder(dir)
	if err != nil || h.PID != os.Getpid() || h.Command != "" || h.Since.IsZero() {
		t.Errorf("after opening: got %+v, %v", h, err)
	}
	want := Holder{PID: 7, Command: "sideport serve", Since: time.Date(2026, 1, 2, 3, 4, 5, 0, time.UTC), Address: "127.0.0.1:80", Token: "t"}
	if err := s.SetHolder(want); err != nil {
		t.Fatal(err)
	}
	if h, err = ReadHolder(dir); err != nil || h != want {
		t.Errorf("got %+v, %v, want %+v", h, err, want)
	}
	closeSound(t, s)
	if _, err := ReadHolder(dir); annotate.CauseOf(err) != annotate.Missing {
		t.Errorf("after closing: got %v, want Missing", err)
	}
	if err := s.SetHolder(want); err == nil {
		t.Error("a closed library was given a holder")
	}
	if err := os.WriteFile(filepath.Join(dir, holderName), []byte("{"), 0o600); err != nil {
		t.Fatal(err)
	}
	if _, err := ReadHolder(dir); err == nil || annotate.CauseOf(err) != "" {
		t.Errorf("half a file: got %v, want an error", err)
	}
}

// TestDamaged: whatever is wrong with the file, who opens it is told which
// file it is and what to do, and the lock is let go.
func TestDamaged(t *testing.T) {
	dir := t.TempDir()
	s := openIn(t, dir)
	for i := range 40 {
		apply(t, s, annotate.Edit{Case: fmt.Sprintf("c%d", i), Add: testCase()})
	}
	var whole strings.Builder
	if _, err := s.Backup(t.Context(), &whole); err != nil {
		t.Fatal(err)
	}
	good, page := whole.String(), os.Getpagesize()
	tests := map[string]string{
		"words":                 strings.Repeat("not a library ", 5000),
		"a few bytes":           "x",
		"zeros":                 strings.Repeat("\x00", 1<<16),
		"cut in its first page": good[:100],
		"cut after the heads":   good[:2*page],
		"cut in the middle":     good[:len(good)/2/page*page],
		"cut at its last byte":  good[:len(good)-1],
		"both heads gone":       strings.Repeat("\xff", 2*page) + good[2*page:],
		"pages gone":            good[:2*page] + strings.Repeat("\xff", len(good)-2*page),
		"another's database":    otherDatabase(t),
	}
	for name, content := range tests {
		t.Run(name, func(t *testing.T) {
			dir := t.TempDir()
			path := filepath.Join(dir, fileName)
			if err := os.WriteFile(path, []byte(content), 0o600); err != nil {
				t.Fatal(err)
			}
			for range 2 {
				_, err := Open(t.Context(), dir, Options{})
				if annotate.CauseOf(err) != annotate.Invalid {
					t.Fatalf("got %v, want Invalid", err)
				}
				if !strings.Contains(err.Error(), path) || !strings.Contains(err.Error(), "restore") {
					t.Errorf("%q should name the file and what to do", err)
				}
			}
			if now, err := os.ReadFile(path); err != nil || string(now) != content {
				t.Errorf("the damaged file was changed (%v)", err)
			}
		})
	}
}

func otherDatabase(t *testing.T) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "other.db")
	db, err := bbolt.Open(path, 0o600, nil)
	if err != nil {
		t.Fatal(err)
	}
	err = db.Update(func(tx *bbolt.Tx) error { _, err := tx.CreateBucket([]byte("plants")); return err })
	if err := errors.Join(err, db.Close()); err != nil {
		t.Fatal(err)
	}
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}
