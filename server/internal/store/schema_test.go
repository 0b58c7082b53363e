package store

import (
	"bytes"
	"context"
	"errors"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"go.etcd.io/bbolt"

	"sideport/annotate"
)

const fixture = "testdata/library-v1.db"

// fixtureEdits are what the fixture of layout 1 went through.
func fixtureEdits() []annotate.Edit {
	n := remark("n2", 31, "moved")
	return []annotate.Edit{
		{Case: "c1", Add: testCase()},
		{Case: "c2", Add: testCase()},
		{Case: "c1", PutNote: &n},
		{Case: "c2", Drop: true},
	}
}

func writeFixture(t *testing.T) {
	t.Helper()
	s, err := open(t.Context(), t.TempDir(), Options{Now: clock()}, steps()[:1], 0)
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range fixtureEdits() {
		apply(t, s, e)
	}
	err = errors.Join(s.SetPrepared(t.Context(), "c1", "r1", annotate.Prepared{State: "ready", Play: hash("1")}), s.Keep(t.Context(), "accounts", "a1", []byte(`{}`)))
	var b bytes.Buffer
	if _, berr := s.Backup(t.Context(), &b); err != nil || berr != nil {
		t.Fatal(err, berr)
	}
	if err := errors.Join(os.WriteFile(fixture, b.Bytes(), 0o644), s.Close()); err != nil {
		t.Fatal(err)
	}
}

// TestFixture opens a library as the first release wrote it. The file is made
// once for a layout, with -update, and stays when later layouts come.
func TestFixture(t *testing.T) {
	if *update {
		writeFixture(t)
	}
	b, err := os.ReadFile(fixture)
	if err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	if err := os.WriteFile(filepath.Join(dir, fileName), b, 0o600); err != nil {
		t.Fatal(err)
	}
	s := openIn(t, dir)
	var want annotate.Case
	for _, e := range fixtureEdits() {
		if e.Case != "c1" {
			continue
		}
		if want, err = e.Apply(want); err != nil {
			t.Fatal(err)
		}
	}
	want.Rev = 3
	for i := range want.Notes {
		want.Notes[i].Rev = 1
		if want.Notes[i].ID == "n2" {
			want.Notes[i].Rev = 3
		}
	}
	diffCases(t, want, read(t, s, "c1"))
	if n := lastSeq(t, s); n != 4 {
		t.Errorf("the log ends at %d, want 4", n)
	}
	if p, err := s.Prepared(t.Context(), "c1"); err != nil || p["r1"].Play != hash("1") {
		t.Errorf("prepared: %v, %v", p, err)
	}
	if _, ok, err := s.Take(t.Context(), "accounts", "a1"); err != nil || !ok {
		t.Errorf("what was on a shelf: %v, %v", ok, err)
	}
}

// later are two further layouts; the last step writes and then fails with fail,
// unless that is nil.
func later(fail error) []step {
	return append(steps(),
		step{"mark every case", func(ctx context.Context, tx *bbolt.Tx) error {
			return each(ctx, tx, casesBucket, nil, func(k, _ []byte) error {
				return tx.Bucket([]byte(metaBucket)).Put(append([]byte("seen "), k...), []byte("yes"))
			})
		}},
		step{"fail, or not", func(_ context.Context, tx *bbolt.Tx) error {
			return errors.Join(tx.Bucket([]byte(metaBucket)).Put([]byte("third"), nil), fail)
		}})
}

func metaHas(t *testing.T, s *Store, key string) (has bool) {
	t.Helper()
	err := s.view(t.Context(), func(tx *bbolt.Tx) error {
		has = tx.Bucket([]byte(metaBucket)).Get([]byte(key)) != nil
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	return has
}

func TestMigrate(t *testing.T) {
	dir := t.TempDir()
	s := openIn(t, dir)
	apply(t, s, annotate.Edit{Case: "c1", Add: testCase()})
	closeSound(t, s)

	// A step that fails leaves the layout of the one before it.
	no := errors.New("no")
	if _, err := open(t.Context(), dir, Options{}, later(no), 0); !errors.Is(err, no) {
		t.Fatalf("got %v, want the step's error", err)
	}
	s, err := open(t.Context(), dir, Options{}, later(nil)[:2], 0)
	if err != nil {
		t.Fatal(err)
	}
	if at, err := s.schema(t.Context()); at != 2 || err != nil || !metaHas(t, s, "seen c1") || metaHas(t, s, "third") {
		t.Errorf("after the failed step: layout %d, %v; the step before it: %v, its own writes: %v", at, err, metaHas(t, s, "seen c1"), metaHas(t, s, "third"))
	}
	closeSound(t, s)
	s, err = open(t.Context(), dir, Options{}, later(nil), 0)
	if err != nil {
		t.Fatal(err)
	}
	if !metaHas(t, s, "third") {
		t.Error("the last step was not taken")
	}
	closeSound(t, s)

	// An older program refuses the file and leaves it alone.
	_, err = Open(t.Context(), dir, Options{})
	if annotate.CauseOf(err) != annotate.Invalid || !strings.Contains(err.Error(), "newer") || !strings.Contains(err.Error(), dir) {
		t.Errorf("a newer file: got %v, want it refused by name", err)
	}
	// The copies made before each change of layout open with the older program.
	for _, name := range []string{"library.db.v1", "library.db.v2"} {
		if info, err := os.Stat(filepath.Join(dir, name)); err != nil || info.Mode().Perm() != 0o600 {
			t.Errorf("the copy %s: %v, %v", name, info, err)
		}
	}
	old := t.TempDir()
	if err := os.Rename(filepath.Join(dir, "library.db.v1"), filepath.Join(old, fileName)); err != nil {
		t.Fatal(err)
	}
	read(t, openIn(t, old), "c1")
	if names, err := filepath.Glob(filepath.Join(dir, ".*")); err != nil || len(names) > 0 {
		t.Errorf("unfinished files are left: %v, %v", names, err)
	}
}

func TestBackupAndRestore(t *testing.T) {
	s, ctx := newStore(t), t.Context()
	apply(t, s, annotate.Edit{Case: "c1", Add: testCase()})
	want := read(t, s, "c1")
	var b bytes.Buffer
	// The writer goes on while the backup is being taken away.
	seq, err := s.Backup(ctx, io.MultiWriter(&b, writeFunc(func(p []byte) (int, error) {
		n := remark("n1", 11, "meanwhile")
		apply(t, s, annotate.Edit{Case: "c1", PutNote: &n})
		return len(p), nil
	})))
	if err != nil || seq != 1 {
		t.Fatalf("backup of change %d, %v; want 1", seq, err)
	}
	if names, _ := filepath.Glob(filepath.Join(s.dir, ".backup*")); len(names) > 0 {
		t.Errorf("unfinished files are left: %v", names)
	}

	t.Run("into a new folder", func(t *testing.T) {
		dir := filepath.Join(t.TempDir(), "new")
		if seq, err := Restore(ctx, dir, bytes.NewReader(b.Bytes())); seq != 1 || err != nil {
			t.Fatalf("restored change %d, %v", seq, err)
		}
		diffCases(t, want, read(t, openIn(t, dir), "c1"))
	})
	t.Run("over a damaged file", func(t *testing.T) {
		dir := t.TempDir()
		path := filepath.Join(dir, fileName)
		if err := os.WriteFile(path, []byte("garbage"), 0o600); err != nil {
			t.Fatal(err)
		}
		if _, err := Restore(ctx, dir, bytes.NewReader(b.Bytes())); err != nil {
			t.Fatal(err)
		}
		if old, err := os.ReadFile(path + ".replaced"); string(old) != "garbage" {
			t.Errorf("the replaced file holds %q, %v", old, err)
		}
		diffCases(t, want, read(t, openIn(t, dir), "c1"))
	})
	t.Run("not while it is open", func(t *testing.T) {
		if _, err := Restore(ctx, s.dir, bytes.NewReader(b.Bytes())); annotate.CauseOf(err) != annotate.Busy {
			t.Errorf("got %v, want Busy", err)
		}
	})
	for name, bad := range map[string][]byte{"garbage": []byte("garbage"), "half": b.Bytes()[:b.Len()/2], "nothing": nil} {
		t.Run("not from "+name, func(t *testing.T) {
			dir := t.TempDir()
			if _, err := Restore(ctx, dir, bytes.NewReader(bad)); annotate.CauseOf(err) != annotate.Invalid {
				t.Errorf("got %v, want Invalid", err)
			}
			if left, err := os.ReadDir(dir); err != nil || len(left) > 0 {
				t.Errorf("left behind: %v, %v", left, err)
			}
		})
	}
}

type writeFunc func([]byte) (int, error)

func (f writeFunc) Write(p []byte) (int, error) { return f(p) }

// TestCheckFinds plants one error of each sort.
func TestCheckFinds(t *testing.T) {
	put := func(bucket, key, value string) func(*bbolt.Tx) error {
		return func(tx *bbolt.Tx) error { return tx.Bucket([]byte(bucket)).Put([]byte(key), []byte(value)) }
	}
	remove := func(bucket, key string) func(*bbolt.Tx) error {
		return func(tx *bbolt.Tx) error { return tx.Bucket([]byte(bucket)).Delete([]byte(key)) }
	}
	tests := []struct {
		name  string
		plant func(*bbolt.Tx) error
		want  string
	}{
		{"hole in the log", remove(changesBucket, string(number(2))), "hole"},
		{"log cut short", remove(changesBucket, string(number(3))), "counts 3 changes and ends at 2"},
		{"change under another's key", put(changesBucket, string(number(2)), `{"seq": 7}`), "change 7 lies under"},
		{"change unreadable", put(changesBucket, string(number(2)), `{`), "change 2"},
		{"case unreadable", put(casesBucket, "c1", `{`), "case c1"},
		{"case under another's key", put(casesBucket, "c1", `{"id": "c9", "rev": 1, "title": "x", "status": "draft"}`), "another's key"},
		{"case breaks a rule", put(casesBucket, "c1", `{"id": "c1", "rev": 1, "status": "draft"}`), "title"},
		{"rev of no change", put(casesBucket, "c1", `{"id": "c1", "rev": 99, "title": "x", "status": "draft"}`), "rev 99"},
		{"note under another's key", put(notesBucket, "c1/n9", `{"id": "n8", "rev": 1, "kind": "remark", "recording": "r1", "words": "x", "state": "inked"}`), "c1/n9"},
		{"note's rev after the case's", put(notesBucket, "c1/n1", `{"id": "n1", "rev": 5, "kind": "remark", "recording": "r1", "words": "x", "state": "inked"}`), "rev 5"},
		{"note without case", put(notesBucket, "c7/n9", `{}`), "notes c7/n9"},
		{"cues without track", put(captionsBucket, "c1/r1/xx", `[]`), "captions c1/r1/xx"},
		{"cues unreadable", put(captionsBucket, "c1/r1/en", `{`), "case c1"},
		{"recording gone", remove(recordingsBucket, "c1/0000"), "recordings c1/0001"},
		{"prepared without recording", put(preparedBucket, "c1/r9", `{}`), "prepared c1/r9"},
		{"prepared unreadable", put(preparedBucket, "c1/r1", `{`), "prepared c1/r1"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			s, err := Open(t.Context(), t.TempDir(), Options{})
			if err != nil {
				t.Fatal(err)
			}
			defer s.Close()
			apply(t, s, annotate.Edit{Case: "c1", Add: testCase()})
			for _, words := range []string{"x", "y"} {
				n := remark("n2", 30, words)
				apply(t, s, annotate.Edit{Case: "c1", PutNote: &n})
			}
			if found, err := s.Check(t.Context()); len(found) > 0 || err != nil {
				t.Fatalf("before: %v, %v", found, err)
			}
			if err := s.update(t.Context(), tt.plant); err != nil {
				t.Fatal(err)
			}
			found, err := s.Check(t.Context())
			if err != nil {
				t.Fatal(err)
			}
			var all strings.Builder
			for _, p := range found {
				all.WriteString(p.String() + "\n")
			}
			if !strings.Contains(all.String(), tt.want) {
				t.Errorf("found %q, want something of %q", all.String(), tt.want)
			}
		})
	}
}

// TestReplacedMeanwhile: who waited for the lock of a file that a restore has
// put aside must not go on with that one.
func TestReplacedMeanwhile(t *testing.T) {
	s := newStore(t)
	path := filepath.Join(s.dir, fileName)
	f, err := os.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	look := func() error {
		return s.view(t.Context(), func(tx *bbolt.Tx) error { return whole(tx, path, f) })
	}
	if err := look(); err != nil {
		t.Errorf("the file in its place: %v", err)
	}
	if err := errors.Join(os.Rename(path, path+".replaced"), os.WriteFile(path, nil, 0o600)); err != nil {
		t.Fatal(err)
	}
	if err := openFault(s.dir, look()); annotate.CauseOf(err) != annotate.Busy {
		t.Errorf("the file put aside: got %v, want Busy", err)
	}
}
