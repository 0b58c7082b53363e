package index

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"sideport/annotate"
	"sideport/annotate/terms"
)

func quiet() *slog.Logger { return slog.New(slog.DiscardHandler) }

func vocabulary(t testing.TB) *terms.Vocabulary {
	t.Helper()
	v, err := terms.Load("cataract")
	if err != nil {
		t.Fatal(err)
	}
	return v
}

func open(t testing.TB, dir string) (*Index, bool) {
	t.Helper()
	x, rebuild, err := Open(dir, vocabulary(t), quiet())
	if err != nil {
		t.Fatal(err)
	}
	return x, rebuild
}

func simple(id, title string) annotate.Case {
	return annotate.Case{ID: id, Rev: 1, Title: title, Status: annotate.Published, Consent: annotate.Consent{Audience: annotate.Public}}
}

func apply(t testing.TB, x *Index, seq uint64, put []annotate.Case, drop ...string) {
	t.Helper()
	if err := x.Apply(t.Context(), seq, put, drop); err != nil {
		t.Fatal(err)
	}
}

func find(t testing.TB, x *Index, words string) []string {
	t.Helper()
	r, err := x.Search(t.Context(), Query{Words: words, Scope: Scope{Audience: annotate.Public}, Limit: 10})
	if err != nil {
		t.Fatal(err)
	}
	out := []string{}
	for _, h := range r.Hits {
		out = append(out, h.Case)
	}
	return out
}

func TestOpenApplyReopen(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "index")
	x, rebuild := open(t, dir)
	if !rebuild || x.Seq() != 0 {
		t.Errorf("a new index: rebuild %v, seq %d; want true, 0", rebuild, x.Seq())
	}
	apply(t, x, 7, []annotate.Case{simple("a", "Small pupil"), simple("b", "Loose bag")})
	if x.Seq() != 7 {
		t.Errorf("seq %d, want 7", x.Seq())
	}
	if err := x.Close(); err != nil {
		t.Fatal(err)
	}
	x, rebuild = open(t, dir)
	defer x.Close()
	if rebuild || x.Seq() != 7 || !slices.Equal(find(t, x, "loose bag"), []string{"b"}) {
		t.Errorf("reopened: rebuild %v, seq %d, found %v", rebuild, x.Seq(), find(t, x, "loose bag"))
	}
}

func TestApplyReplacesAndDrops(t *testing.T) {
	x, _ := open(t, filepath.Join(t.TempDir(), "index"))
	defer x.Close()
	a := simple("a", "Small pupil")
	a.Notes = []annotate.Note{{ID: "n1", Kind: "remark", Words: "xylophone", State: annotate.Inked}, {ID: "n2", Kind: "remark", Words: "glockenspiel", State: annotate.Inked}}
	apply(t, x, 1, []annotate.Case{a, simple("b", "Small pupil")})
	a.Notes = a.Notes[:1]
	a.Title = "Loose bag"
	apply(t, x, 2, []annotate.Case{simple("a", "never mind"), a})
	for words, want := range map[string][]string{"glockenspiel": {}, "xylophone": {"a"}, "small pupil": {"b"}, "loose bag": {"a"}, "mind": {}} {
		if got := find(t, x, words); !slices.Equal(got, want) {
			t.Errorf("after the change %q finds %v, want %v", words, got, want)
		}
	}
	apply(t, x, 3, nil, "a", "nobody")
	if got := find(t, x, ""); !slices.Equal(got, []string{"b"}) {
		t.Errorf("after the drop there are %v", got)
	}
	if n, err := x.b.DocCount(); err != nil || n != 1 {
		t.Errorf("%d documents are left (%v), want 1", n, err)
	}
	b := simple("b", "Small pupil")
	b.Consent.Withdrawn = "2026-05-01"
	apply(t, x, 4, []annotate.Case{b})
	if n, err := x.b.DocCount(); err != nil || n != 0 {
		t.Errorf("%d documents of a withdrawn case are left (%v)", n, err)
	}
}

func TestClear(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "index")
	x, _ := open(t, dir)
	apply(t, x, 1, []annotate.Case{simple("a", "Small pupil")})
	must(t, x.Clear(t.Context()))
	if n, err := x.b.DocCount(); err != nil || n != 0 || x.Seq() != 0 {
		t.Errorf("cleared: %d documents at %d (%v), want none at 0", n, x.Seq(), err)
	}
	apply(t, x, 2, nil)
	must(t, x.Close())
	x, rebuild := open(t, dir)
	defer x.Close()
	if rebuild || x.Seq() != 2 {
		t.Errorf("an empty library at change 2 opens with rebuild %v, seq %d", rebuild, x.Seq())
	}
}

// Searching goes on while changes are applied.
func TestSearchWhileApplying(t *testing.T) {
	x, _ := open(t, filepath.Join(t.TempDir(), "index"))
	defer x.Close()
	apply(t, x, 1, []annotate.Case{large(x.v, 1)})
	done := make(chan error)
	go func() {
		var err error
		for n := range 5 {
			err = errors.Join(err, x.Apply(t.Context(), uint64(n+2), []annotate.Case{large(x.v, 1)}, nil))
		}
		done <- err
	}()
	for {
		select {
		case err := <-done:
			must(t, err)
			return
		default:
			r, err := x.Search(t.Context(), Query{Words: "gently", Scope: Scope{Audience: annotate.Public}, Limit: 5})
			must(t, err)
			if r.Total != 1 {
				t.Fatalf("in the middle of a change %d cases are found, want 1", r.Total)
			}
		}
	}
}

// A case cut down while its id begins like another's keeps to itself.
func TestCasesOfLikeIDs(t *testing.T) {
	x, _ := open(t, filepath.Join(t.TempDir(), "index"))
	defer x.Close()
	apply(t, x, 1, []annotate.Case{simple("a", "Small pupil"), simple("a1", "Small pupil"), simple("A", "Small pupil")})
	apply(t, x, 2, nil, "a")
	if got := find(t, x, "small pupil"); !slices.Equal(got, []string{"A", "a1"}) {
		t.Errorf("found %v", got)
	}
}

func TestUnfinishedRebuildStartsAgain(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "index")
	x, _ := open(t, dir)
	apply(t, x, 0, []annotate.Case{simple("a", "Small pupil")})
	if err := x.Close(); err != nil {
		t.Fatal(err)
	}
	x, rebuild := open(t, dir)
	defer x.Close()
	if !rebuild || len(find(t, x, "")) != 0 {
		t.Errorf("rebuild %v with %v", rebuild, find(t, x, ""))
	}
}

func TestDamagedIndexIsMadeAnew(t *testing.T) {
	damage := map[string]func(t *testing.T, dir string){
		"meta gone": func(t *testing.T, dir string) { must(t, os.Remove(filepath.Join(dir, "index_meta.json"))) },
		"meta nonsense": func(t *testing.T, dir string) {
			must(t, os.WriteFile(filepath.Join(dir, "index_meta.json"), []byte("{"), 0o600))
		},
		"meta empty": func(t *testing.T, dir string) { must(t, os.Truncate(filepath.Join(dir, "index_meta.json"), 0)) },
		"root cut": func(t *testing.T, dir string) {
			must(t, os.Truncate(filepath.Join(dir, "store", "root.bolt"), 9000))
		},
		"root cut at a page": func(t *testing.T, dir string) {
			must(t, os.Truncate(filepath.Join(dir, "store", "root.bolt"), 16384))
		},
		"root empty":    func(t *testing.T, dir string) { must(t, os.Truncate(filepath.Join(dir, "store", "root.bolt"), 0)) },
		"root gone":     func(t *testing.T, dir string) { must(t, os.Remove(filepath.Join(dir, "store", "root.bolt"))) },
		"root scribble": func(t *testing.T, dir string) { scribble(t, filepath.Join(dir, "store", "root.bolt")) },
		"segment cut": func(t *testing.T, dir string) {
			s := segment(t, dir)
			must(t, os.Truncate(s, size(t, s)/2))
		},
		"segment empty":    func(t *testing.T, dir string) { must(t, os.Truncate(segment(t, dir), 0)) },
		"segment gone":     func(t *testing.T, dir string) { must(t, os.Remove(segment(t, dir))) },
		"segment scribble": func(t *testing.T, dir string) { scribble(t, segment(t, dir)) },
		"store gone":       func(t *testing.T, dir string) { must(t, os.RemoveAll(filepath.Join(dir, "store"))) },
		"a file": func(t *testing.T, dir string) {
			must(t, os.RemoveAll(dir))
			must(t, os.WriteFile(dir, []byte("x"), 0o600))
		},
	}
	for name, harm := range damage {
		t.Run(name, func(t *testing.T) {
			dir := filepath.Join(t.TempDir(), "index")
			x, _ := open(t, dir)
			var many []annotate.Case
			for i := range 20 {
				many = append(many, simple(fmt.Sprint("c", i), "Small pupil"))
			}
			apply(t, x, 5, many)
			must(t, x.Close())
			harm(t, dir)
			var log bytes.Buffer
			x, rebuild, err := Open(dir, vocabulary(t), slog.New(slog.NewTextHandler(&log, nil)))
			if err != nil {
				t.Fatal(err)
			}
			defer x.Close()
			if !rebuild || x.Seq() != 0 || len(find(t, x, "")) != 0 {
				t.Errorf("rebuild %v, seq %d, %d cases; want true, 0, 0", rebuild, x.Seq(), len(find(t, x, "")))
			}
			if !strings.Contains(log.String(), "made anew") {
				t.Errorf("the log says %q", log.String())
			}
			apply(t, x, 6, []annotate.Case{simple("a", "Loose bag")})
			if got := find(t, x, "loose bag"); !slices.Equal(got, []string{"a"}) {
				t.Errorf("filled again it finds %v", got)
			}
		})
	}
}

func must(t *testing.T, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

func segment(t *testing.T, dir string) string {
	t.Helper()
	found, err := filepath.Glob(filepath.Join(dir, "store", "*.zap"))
	if err != nil || len(found) == 0 {
		t.Fatalf("no segments: %v", err)
	}
	return found[0]
}

func size(t *testing.T, name string) int64 {
	t.Helper()
	i, err := os.Stat(name)
	must(t, err)
	return i.Size()
}

// scribble spoils the middle half of a file.
func scribble(t *testing.T, name string) {
	t.Helper()
	b, err := os.ReadFile(name)
	must(t, err)
	for i := len(b) / 4; i < len(b)*3/4; i++ {
		b[i] ^= 0x5a
	}
	must(t, os.WriteFile(name, b, 0o600))
}

func TestOtherVocabularyMeansRebuild(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "index")
	x, _ := open(t, dir)
	apply(t, x, 5, []annotate.Case{simple("a", "Small pupil")})
	must(t, x.b.SetInternal(formKey, []byte("another")))
	must(t, x.Close())
	x, rebuild := open(t, dir)
	defer x.Close()
	if !rebuild || x.Seq() != 0 {
		t.Errorf("rebuild %v, seq %d; want true, 0", rebuild, x.Seq())
	}
}

func TestHeldIndexIsLeftAlone(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "index")
	x, _ := open(t, dir)
	defer x.Close()
	apply(t, x, 5, []annotate.Case{simple("a", "Small pupil")})
	if _, _, err := Open(dir, vocabulary(t), quiet()); annotate.CauseOf(err) != annotate.Busy {
		t.Errorf("a second opening gave %v, want a fault that it is held", err)
	}
	if got := find(t, x, "small pupil"); !slices.Equal(got, []string{"a"}) {
		t.Errorf("after it the first finds %v", got)
	}
}

func TestSearchRefuses(t *testing.T) {
	x, _ := open(t, filepath.Join(t.TempDir(), "index"))
	defer x.Close()
	for name, q := range map[string]Query{"sort": {Sort: "sideways"}, "filter": {Filters: map[string][]string{"colour": {"red"}}}} {
		if _, err := x.Search(t.Context(), q); annotate.CauseOf(err) != annotate.Invalid {
			t.Errorf("unknown %s: %v, want a fault that it is invalid", name, err)
		}
	}
	gone, cancel := context.WithCancel(t.Context())
	cancel()
	if _, err := x.Search(gone, Query{Words: "small pupil"}); err == nil {
		t.Error("a search that was given up gave no error")
	}
	if err := x.Apply(gone, 1, []annotate.Case{simple("a", "b")}, nil); err == nil || x.Seq() != 0 {
		t.Error("a change that was given up was applied")
	}
}

// The zero scope reaches nothing.
func TestZeroScope(t *testing.T) {
	x, _ := open(t, filepath.Join(t.TempDir(), "index"))
	defer x.Close()
	a := simple("a", "Small pupil")
	a.Consent.Audience = annotate.Nobody
	apply(t, x, 1, []annotate.Case{a, simple("b", "Small pupil")})
	if r, err := x.Search(t.Context(), Query{Words: "small pupil", Limit: 10}); err != nil || r.Total != 0 {
		t.Errorf("found %d (%v)", r.Total, err)
	}
}

func TestPages(t *testing.T) {
	x, _ := open(t, filepath.Join(t.TempDir(), "index"))
	defer x.Close()
	var many []annotate.Case
	for i := range 130 {
		c := simple(fmt.Sprintf("c%03d", i), "Small pupil")
		c.Rev = uint64(i)
		many = append(many, c)
	}
	apply(t, x, 1, many)
	for _, words := range []string{"", "small pupil"} {
		seen := map[string]bool{}
		for offset := 0; offset < 140; offset += 20 {
			r, err := x.Search(t.Context(), Query{Words: words, Scope: Scope{Audience: annotate.Public}, Limit: 20, Offset: offset})
			must(t, err)
			if r.Total != 130 {
				t.Fatalf("total %d, want 130", r.Total)
			}
			for _, h := range r.Hits {
				seen[h.Case] = true
			}
		}
		if len(seen) != 130 {
			t.Errorf("%q: the pages show %d cases, want 130", words, len(seen))
		}
	}
	r, err := x.Search(t.Context(), Query{Scope: Scope{Audience: annotate.Public}})
	if err != nil || r.Total != 130 || len(r.Hits) != 0 {
		t.Errorf("without a limit: total %d, %d hits (%v)", r.Total, len(r.Hits), err)
	}
}

func FuzzSearch(f *testing.F) {
	for _, s := range []string{"loose bag", `"a b" -c -"d e"`, "-", `-"`, `"""`, "“x”y", "&", "− -a", "without", "without ring", "5 12", "\xff\x00 a", strings.Repeat("ab ", 300), "i&a 'n", ".a.b."} {
		f.Add(s)
	}
	x, _ := open(f, filepath.Join(f.TempDir(), "index"))
	f.Cleanup(func() { _ = x.Close() })
	c := simple("a", "Loose bag, & a \xff ring")
	c.Recordings = []annotate.Recording{{ID: "r1", Captions: []annotate.Track{{Cues: []annotate.Cue{{Text: "a b " + strings.Repeat("long ü ", 90)}}}}}}
	apply(f, x, 1, []annotate.Case{c})
	f.Fuzz(func(t *testing.T, s string) {
		r, err := x.Search(t.Context(), Query{Words: s, Scope: Scope{Audience: annotate.Public}, Limit: 5})
		if err != nil {
			t.Fatalf("%q: %v", s, err)
		}
		if r.Total > 1 || len(r.Hits) != r.Total {
			t.Fatalf("%q found %d of 1", s, r.Total)
		}
		if _, err := x.Suggest(t.Context(), s, Scope{Audience: annotate.Public}, 5); err != nil {
			t.Fatalf("suggest %q: %v", s, err)
		}
	})
}
