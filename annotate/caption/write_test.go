package caption

import (
	"encoding/json"
	"errors"
	"flag"
	"io"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"testing/iotest"
	"unicode"

	"github.com/google/go-cmp/cmp"

	"sideport/annotate"
)

var update = flag.Bool("update", false, "write the golden files anew")

// hostile are texts and ids that have broken caption writers.
var hostile = []string{
	"plain words", "two\nlines", "a < b & c > d", "&amp;", "&lt;b&gt;", "<b>bold</b>", "</c>", "<v A>", "<00:00:01.000>",
	"-->", "a --> b", "00:00:01.000 --> 00:00:02.000", "00:00:01.000 --> 00:00:02.000\ninjected", "x\n\n00:00:01.000 --> 00:00:02.000\ninjected",
	"NOTE not a comment", "NOTE", "STYLE", "STYLE\n::cue{}", "REGION\nid:x", "WEBVTT", "1", "lone\rreturn", "dos\r\nline", "\n\nblank above\n \nbetween\n\n",
	"tab\tand\x00nul\x1b[0m", "no-break\u00a0space", "\u200edirections\u200f", "\ufefffirst", "line\u2028separator", "second é µm 水晶体 🔬",
	"{\\an8}", "&#10;&#10;", "&", "&&", "&#", "<", ">", "--", "--&gt;", "-\n->", "bad \xff byte", strings.Repeat("long ", 900),
	strings.Repeat("<", 400), strings.Repeat("&", 4000), "   ", "",
}

// roundTrip writes cues, reads them back and holds the two against each other.
func roundTrip(t *testing.T, cues []annotate.Cue) {
	t.Helper()
	var b strings.Builder
	if err := Write(&b, cues); err != nil {
		t.Fatal(err)
	}
	doc, found, err := Read([]byte(b.String()))
	if err != nil || len(found) > 0 {
		t.Fatalf("Read of what Write wrote: %v, %v\n%q", found, err, b.String())
	}
	got, found, err := Cues([]byte(b.String()))
	if err != nil || len(found) > 0 || len(got) != len(doc.Cues) {
		t.Fatalf("Cues of what Write wrote: %v, %v\n%q", found, err, b.String())
	}
	if d := cmp.Diff(expected(cues), got); d != "" {
		t.Fatalf("round trip (-want +got):\n%s\n%q", d, b.String())
	}
}

// expected says in its own words what Write keeps.
func expected(cues []annotate.Cue) []annotate.Cue {
	var out []annotate.Cue
	for _, c := range cues {
		from, to := (max(c.Span.From, 0)+500)/1000, (max(c.Span.To, 0)+500)/1000
		if to <= from {
			to = from + 1000
		}
		if Clean(c.Text) != "" && c.Span.To >= 0 {
			out = append(out, annotate.Cue{ID: c.ID, Span: annotate.Span{From: from * 1000, To: to * 1000}, Text: Clean(c.Text)})
		}
	}
	sortCues(out)
	seen := map[string]bool{}
	for i, c := range out {
		if !safeID(c.ID) || seen[c.ID] {
			out[i].ID = ""
		}
		seen[c.ID] = true
	}
	return out
}

func TestWriteReadsBackTheSame(t *testing.T) {
	for _, text := range hostile {
		roundTrip(t, []annotate.Cue{{ID: "a", Span: annotate.Span{From: second, To: 2 * second}, Text: text},
			{ID: text, Span: annotate.Span{From: 3 * second, To: 4 * second}, Text: "after"}})
	}
	rnd := rand.New(rand.NewPCG(1, 2))
	for range 500 {
		var cues []annotate.Cue
		for range rnd.IntN(20) {
			from := annotate.Time(rnd.Int64N(int64(annotate.Hour))) - second
			cues = append(cues, annotate.Cue{ID: hostile[rnd.IntN(len(hostile))], Text: hostile[rnd.IntN(len(hostile))],
				Span: annotate.Span{From: from, To: from + annotate.Time(rnd.Int64N(int64(5*second))) - second}})
		}
		roundTrip(t, cues)
	}
}

func TestClean(t *testing.T) {
	for in, want := range map[string]string{
		"a\r\n\r\n b \rc": "a\nb\nc",
		"\x00 x\ty ":      "x y",
		"bad \xff":        "bad \uFFFD",
		" \n\u00a0\n":     "",
	} {
		if got := Clean(in); got != want {
			t.Errorf("Clean(%q) = %q, want %q", in, got, want)
		}
	}
	letters := func(s string) string {
		return strings.Map(func(r rune) rune {
			if unicode.IsSpace(r) || unicode.IsControl(r) {
				return -1
			}
			return r
		}, strings.ToValidUTF8(s, "\uFFFD"))
	}
	for _, s := range hostile {
		once := Clean(s)
		if Clean(once) != once || letters(once) != letters(s) {
			t.Errorf("Clean(%q) = %q loses letters or is not stable", s, once)
		}
	}
}

func TestWriteTimes(t *testing.T) {
	ms := annotate.Millisecond
	cue := func(from, to annotate.Time) annotate.Cue {
		return annotate.Cue{Span: annotate.Span{From: from, To: to}, Text: "x"}
	}
	for _, tt := range []struct {
		name string
		cue  annotate.Cue
		want string
	}{
		{"plain", cue(second, 2*second), "00:00:01.000 --> 00:00:02.000"},
		{"rounded", cue(1_000_499, 1_999_500), "00:00:01.000 --> 00:00:02.000"},
		{"instant", cue(5*second, 5*second), "00:00:05.000 --> 00:00:06.000"},
		{"backwards", cue(5*second, 4*second), "00:00:05.000 --> 00:00:06.000"},
		{"nothing once rounded", cue(5*second, 5*second+200), "00:00:05.000 --> 00:00:06.000"},
		{"before the film", cue(-2*second, second), "00:00:00.000 --> 00:00:01.000"},
		{"wholly before the film", cue(-2*second, -second), ""},
		{"at 100 h", cue(annotate.MaxTime-ms, annotate.MaxTime), "99:59:59.999 --> 100:00:00.000"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			var b strings.Builder
			if err := Write(&b, []annotate.Cue{tt.cue}); err != nil {
				t.Fatal(err)
			}
			want := "WEBVTT\n\n"
			if tt.want != "" {
				want += tt.want + "\nx\n\n"
			}
			if b.String() != want {
				t.Errorf("Write = %q, want %q", b.String(), want)
			}
		})
	}
}

func TestSafeID(t *testing.T) {
	for id, want := range map[string]bool{
		"a1": true, " odd but fine ": true, "ü–7": true, "n-->": false, "": false, "  ": false, "a\nb": false, "a\rb": false,
		"NOTE 1": false, "STYLE": false, "REGION": false, "\xff": false, "a\x00": false, strings.Repeat("x", 201): false,
	} {
		if got := safeID(id); got != want {
			t.Errorf("safeID(%q) = %v, want %v", id, got, want)
		}
	}
}

func TestWriteErrors(t *testing.T) {
	full := errors.New("disk full")
	w := &failing{full}
	for _, write := range []func(io.Writer, []annotate.Cue) error{Write, WriteChapters} {
		if err := write(w, nil); !errors.Is(err, full) {
			t.Errorf("error = %v, want %v", err, full)
		}
	}
	if err := Write(iotest.TruncateWriter(io.Discard, 3), nil); err != nil {
		t.Errorf("Write: %v", err)
	}
}

type failing struct{ err error }

func (f *failing) Write([]byte) (int, error) { return 0, f.err }

func TestWriteDoesNotChangeItsInput(t *testing.T) {
	cues := []annotate.Cue{{ID: "b", Span: annotate.At(2 * second), Text: " b\n"}, {ID: "a", Span: annotate.At(second), Text: "a\r"}}
	before := append([]annotate.Cue(nil), cues...)
	_ = Write(io.Discard, cues)
	_ = WriteChapters(io.Discard, cues)
	if d := cmp.Diff(before, cues); d != "" {
		t.Error(d)
	}
}

func TestWriteChapters(t *testing.T) {
	ch := func(from, to annotate.Time, text string) annotate.Cue {
		return annotate.Cue{ID: "n", Span: annotate.Span{From: from, To: to}, Text: text}
	}
	for _, tt := range []struct {
		name string
		in   []annotate.Cue
		want string
	}{
		{"one line", []annotate.Cue{ch(0, second, "Nucleus\nchop & hold --> end")}, "00:00:00.000 --> 00:00:01.000\nNucleus chop &amp; hold --&gt; end"},
		{"touching at a third of a millisecond", []annotate.Cue{ch(0, 1_000_333, "a"), ch(1_000_333, 2_000_667, "b"), ch(2_000_667, 3*second, "c")},
			"00:00:00.000 --> 00:00:01.000\na\n\n00:00:01.000 --> 00:00:02.001\nb\n\n00:00:02.001 --> 00:00:03.000\nc"},
		{"overlap is cut", []annotate.Cue{ch(5*second, 9*second, "b"), ch(0, 7*second, "a")}, "00:00:00.000 --> 00:00:05.000\na\n\n00:00:05.000 --> 00:00:09.000\nb"},
		{"gap stays", []annotate.Cue{ch(0, second, "a"), ch(2*second, 3*second, "b")}, "00:00:00.000 --> 00:00:01.000\na\n\n00:00:02.000 --> 00:00:03.000\nb"},
		{"instants last until the next", []annotate.Cue{ch(0, 0, "a"), ch(4*second, 4*second, "b")}, "00:00:00.000 --> 00:00:04.000\na\n\n00:00:04.000 --> 00:00:05.000\nb"},
		{"same start", []annotate.Cue{ch(0, second, "a"), ch(200, 3*second, "b"), ch(2*second, 3*second, "c")}, "00:00:00.000 --> 00:00:02.000\na · b\n\n00:00:02.000 --> 00:00:03.000\nc"},
		{"no title", []annotate.Cue{ch(0, second, " \n ")}, ""},
	} {
		t.Run(tt.name, func(t *testing.T) {
			var b strings.Builder
			if err := WriteChapters(&b, tt.in); err != nil {
				t.Fatal(err)
			}
			want := "WEBVTT\n\n"
			if tt.want != "" {
				want += tt.want + "\n\n"
			}
			if b.String() != want {
				t.Errorf("WriteChapters = %q, want %q", b.String(), want)
			}
		})
	}
}

// chaptersHold says what is promised of any chapters.
func chaptersHold(t *testing.T, cues []annotate.Cue) {
	t.Helper()
	var b strings.Builder
	if err := WriteChapters(&b, cues); err != nil {
		t.Fatal(err)
	}
	got, found, err := Cues([]byte(b.String()))
	if err != nil || len(found) > 0 {
		t.Fatalf("%v, %v\n%q", found, err, b.String())
	}
	for i, c := range got {
		if c.Span.To <= c.Span.From || strings.Contains(c.Text, "\n") || i > 0 && got[i-1].Span.To > c.Span.From {
			t.Fatalf("chapter %d of %v", i, got)
		}
	}
}

func FuzzRoundTrip(f *testing.F) {
	for i, s := range hostile {
		f.Add("id", s, int64(i)*700, int64(i)*900+1, hostile[(i+7)%len(hostile)], int64(1_500_000))
	}
	f.Fuzz(func(t *testing.T, id, text string, from, to int64, other string, at int64) {
		if len(text) > annotate.MaxWords || len(other) > annotate.MaxWords {
			return
		}
		limit := int64(annotate.MaxTime - 2*second)
		cues := []annotate.Cue{
			{ID: id, Span: annotate.Span{From: annotate.Time(from % limit), To: annotate.Time(to % limit)}, Text: text},
			{ID: other, Span: annotate.At(annotate.Time(at % limit)), Text: other},
		}
		roundTrip(t, cues)
		chaptersHold(t, cues)
	})
}

// TestWritten keeps files that other readers are run over: beside each .vtt
// lies the JSON of the cues that it has to be read as.
func TestWritten(t *testing.T) {
	var hard []annotate.Cue
	for i, s := range hostile {
		from := annotate.Time(i) * 2 * second
		hard = append(hard, annotate.Cue{ID: s, Span: annotate.Span{From: from, To: from + second + 333}, Text: s})
	}
	stage := func(from, to float64, text string) annotate.Cue {
		return annotate.Cue{Span: annotate.Span{From: annotate.FromSeconds(from), To: annotate.FromSeconds(to)}, Text: text}
	}
	stages := []annotate.Cue{stage(2.72, 49.12, "Incision & dye"), stage(49.12, 84.72, "Rhexis"), stage(84.72, 130.0333, "Hydrodissection"),
		stage(139.12, 274.56, "Nucleus:\nhorizontal chop --> quadrants"), stage(274.56, 274.56, "Irrigation < 20 mmHg"), stage(584.92, 589.36, "Hydration")}
	for _, tt := range []struct {
		name  string
		write func(io.Writer, []annotate.Cue) error
		cues  []annotate.Cue
	}{
		{"captions", Write, stages}, {"hostile", Write, hard}, {"empty", Write, nil}, {"chapters", WriteChapters, stages}, {"chapters-hostile", WriteChapters, hard},
	} {
		t.Run(tt.name, func(t *testing.T) {
			var b strings.Builder
			if err := tt.write(&b, tt.cues); err != nil {
				t.Fatal(err)
			}
			golden(t, tt.name+".vtt", b.String())
			cues, found, err := Cues([]byte(b.String()))
			if err != nil || len(found) > 0 {
				t.Fatalf("%v, %v", found, err)
			}
			if cues == nil {
				cues = []annotate.Cue{}
			}
			js, err := json.MarshalIndent(cues, "", " ")
			if err != nil {
				t.Fatal(err)
			}
			golden(t, tt.name+".json", string(js)+"\n")
		})
	}
}

func golden(t *testing.T, name, got string) {
	t.Helper()
	path := filepath.Join("testdata", "written", name)
	if *update {
		if err := os.MkdirAll(filepath.Dir(path), 0o777); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(path, []byte(got), 0o666); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff(string(want), got); d != "" {
		t.Errorf("%s (-golden +got):\n%s", name, d)
	}
}
