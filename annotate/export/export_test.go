package export

import (
	"bytes"
	"encoding/xml"
	"errors"
	"flag"
	"io"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"sync"
	"testing"
	"unicode/utf8"

	"github.com/google/go-cmp/cmp"

	"sideport/annotate"
	"sideport/annotate/caption"
	"sideport/annotate/casefile"
	"sideport/annotate/consent"
	"sideport/annotate/terms"
)

var update = flag.Bool("update", false, "write the golden files anew")

var load = sync.OnceValues(func() (*terms.Vocabulary, error) { return terms.Load("cataract") })

func options(t testing.TB) Options {
	t.Helper()
	v, err := load()
	if err != nil {
		t.Fatal(err)
	}
	return Options{Vocabulary: v}
}

var curator = consent.Viewer{Account: "a1", Role: consent.Curator}

func release(t testing.TB, c annotate.Case, to annotate.Audience) consent.Release {
	t.Helper()
	if c.Consent.Obtained == "" {
		c.Consent = annotate.Consent{Audience: to, Obtained: "2026-03-01"}
	}
	r, err := consent.Export(c, curator, to)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

func write(t testing.TB, f Format, r consent.Release, o Options) string {
	t.Helper()
	var b bytes.Buffer
	if err := f.Write(&b, r, o); err != nil {
		t.Fatalf("%s: %v", f.ID, err)
	}
	return b.String()
}

// richCase is the case of testdata with its films as if probed.
func richCase(t testing.TB) annotate.Case {
	t.Helper()
	data, err := os.ReadFile("testdata/case.yaml")
	if err != nil {
		t.Fatal(err)
	}
	d, err := casefile.Parse("case.yaml", data, options(t).Vocabulary)
	if err != nil {
		t.Fatal(err)
	}
	c := d.Case
	c.ID = "c1"
	for i, film := range []annotate.Film{
		{Container: "mov", Duration: 9*annotate.Minute + 20*annotate.Second},
		{Container: "webm", Duration: annotate.Minute},
	} {
		c.Recordings[i].Film = film
		c.Recordings[i].Hash = strings.Repeat(string('a'+rune(i)), 64)
	}
	c.Recordings[0].Captions = []annotate.Track{
		{Language: "en", Cues: []annotate.Cue{
			{Span: annotate.Span{From: 25 * annotate.Second, To: 28*annotate.Second + 333_333}, Text: "Side port first.\nAlways <small> & flat."},
			{Span: annotate.Span{From: 2 * annotate.Minute, To: 2*annotate.Minute + 3*annotate.Second}, Text: "a --> b"}}},
		{Language: "de", Cues: []annotate.Cue{{Span: annotate.Span{From: 25 * annotate.Second, To: 28 * annotate.Second}, Text: "Zuerst die Parazentese."}}},
	}
	c.SortNotes()
	return c
}

const (
	sec  = annotate.Second
	evil = "--> </script><script>alert(1)</script> | `x` **b** [l](javascript:x) <!-- \n\n# head\n- item\n\n1 --> 2\n\\| {{.}} &lt; ``` \"q\" 'q'"
)

// hard are the cases that every format has to take.
func hard(t testing.TB) map[string]annotate.Case {
	t.Helper()
	film := func(d annotate.Time) []annotate.Recording {
		return []annotate.Recording{{ID: "r1", Hash: "h", Film: annotate.Film{Container: "mp4", Duration: d}}}
	}
	stage := func(id, concept, words string, from, to annotate.Time) annotate.Note {
		return annotate.Note{ID: id, Kind: "stage", Recording: "r1", Term: annotate.Term{Concept: concept, Words: words}, Span: annotate.Span{From: from, To: to}, State: annotate.Inked}
	}
	text := func(s string) annotate.Case {
		c := annotate.Case{Title: s, Summary: s, Procedure: annotate.Term{Words: s}, Factors: []annotate.Factor{{Term: annotate.Term{Words: s}, Grade: s}},
			Plan: []annotate.Plan{{Challenge: annotate.Term{Words: s}, Strategy: s, StandBy: []annotate.Term{{Words: s}}}}, Recordings: film(annotate.Minute),
			Stills: []annotate.Still{{ID: "s1", When: s, Words: s}}, Hindsight: s, Outcome: []annotate.Outcome{{When: s, VisualAcuity: s, Words: s}}}
		c.Recordings[0].Role = s
		c.Recordings[0].Captions = []annotate.Track{{Language: "en", Cues: []annotate.Cue{{ID: s, Span: annotate.Span{From: 0, To: sec}, Text: s}}}}
		for i, k := range annotate.Kinds() {
			n := stage("n-"+k.ID, "", s, annotate.Time(i)*sec, annotate.Time(i+1)*sec)
			n.Kind, n.Words, n.Fields = k.ID, s, map[string]annotate.Fact{}
			for _, f := range k.Fields {
				if f.Type == annotate.QuantitiesField {
					n.Fields[f.ID] = annotate.Fact{Quantities: []annotate.Quantity{{Parameter: "p.vacuum", Value: 5, Unit: "mmHg"}}}
				} else {
					n.Fields[f.ID] = annotate.Fact{Text: s}
				}
			}
			if k.Timing == annotate.Instants {
				n.Span = annotate.At(n.Span.From)
			}
			if k.TermKinds == nil {
				n.Term = annotate.Term{}
			}
			c.Notes = append(c.Notes, n)
		}
		return c
	}
	return map[string]annotate.Case{
		"empty": {Title: "a"},
		"overlapping": {Title: "a", Recordings: film(annotate.Minute), Notes: []annotate.Note{
			stage("n1", "st.cortex", "", 0, 20*sec), stage("n2", "st.epinucleus", "", 10*sec, 30*sec), stage("n3", "st.cortex", "", 10*sec, 12*sec)}},
		"zero length": {Title: "a", Recordings: film(annotate.Minute), Notes: []annotate.Note{
			stage("n1", "st.cortex", "", 0, 1), stage("n2", "st.epinucleus", "", 1, sec), stage("n3", "st.cortex", "", sec, sec+400), stage("n4", "st.cortex", "", 5*sec, 5*sec)}},
		"over an hour": {Title: "a", Recordings: film(4 * annotate.Hour), Notes: []annotate.Note{
			stage("n1", "st.cortex", "", 59*annotate.Minute, annotate.Hour+61*sec), stage("n2", "st.epinucleus", "", 3*annotate.Hour, 4*annotate.Hour+sec)}},
		"non-Latin": text("катаракта 白内障 إعتام \u200f עדשה 🙂 é e\u0301"),
		"hostile":   text(evil),
		"rich":      richCase(t),
	}
}

func TestFormats(t *testing.T) {
	seen := map[string]bool{}
	for _, f := range Formats() {
		t.Run(f.ID, func(t *testing.T) {
			if seen[f.ID] || f.ID == "" || f.Label == "" || f.Help == "" || f.MediaType == "" || f.Ext == "" || f.Write == nil {
				t.Fatalf("the row is not whole or not the only one of its id: %+v", f)
			}
			seen[f.ID] = true
			if g, ok := FormatOf(f.ID); !ok || g.Label != f.Label {
				t.Error("FormatOf does not find it")
			}
			var b bytes.Buffer
			if err := f.Write(&b, consent.Release{}, options(t)); annotate.CauseOf(err) != annotate.Refused || b.Len() > 0 {
				t.Errorf("an empty release gave %q, %v", b.String(), err)
			}
			if f.Files != nil && f.Files(consent.Release{}, options(t)) != nil {
				t.Error("an empty release has files")
			}
			if err := f.Write(&b, release(t, annotate.Case{Title: "a"}, annotate.Public), Options{}); err == nil {
				t.Error("written without a vocabulary")
			}
			full := errors.New("disk full")
			if err := f.Write(failing{full}, release(t, richCase(t), annotate.OwnUnit), options(t)); !errors.Is(err, full) {
				t.Errorf("a write error became %v", err)
			}
			golden(t, f, write(t, f, release(t, richCase(t), annotate.Professionals), options(t)))
			for name, c := range hard(t) {
				t.Run(name, func(t *testing.T) { conforms(t, f, c) })
			}
		})
	}
	if _, ok := FormatOf("nothing"); ok {
		t.Error("FormatOf finds what is not there")
	}
}

type failing struct{ err error }

func (f failing) Write([]byte) (int, error) { return 0, f.err }

// golden fails where a format has no golden file.
func golden(t *testing.T, f Format, got string) {
	t.Helper()
	file := filepath.Join("testdata", f.ID+"."+f.Ext+".golden")
	if *update {
		if err := os.WriteFile(file, []byte(got), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(file)
	if err != nil {
		t.Fatal("every format needs a golden file; run with -update and read what it wrote:", err)
	}
	if d := cmp.Diff(string(want), got); d != "" {
		t.Errorf("%s differs (-want +got); run with -update if it is meant:\n%s", file, d)
	}
}

// conforms holds a format to what every format promises.
func conforms(t *testing.T, f Format, c annotate.Case) {
	before := mustJSON(t, c)
	r := release(t, c, annotate.OwnUnit)
	once, again := write(t, f, r, options(t)), write(t, f, r, options(t))
	if once != again {
		t.Error("not the same bytes twice")
	}
	if mustJSON(t, c) != before {
		t.Error("the case was changed")
	}
	if !utf8.ValidString(once) || strings.ContainsAny(once, "\x00\r") || !strings.HasSuffix(once, "\n") {
		t.Error("not clean text")
	}
	check, ok := map[string]func(*testing.T, string, annotate.Case){"vtt": checkVTT, "md": checkMarkdown, "html": checkHTML, "yaml": checkFolder}[f.Ext]
	if !ok {
		t.Fatalf("no check for .%s; add one", f.Ext)
	}
	check(t, once, c)
}

func checkVTT(t *testing.T, got string, _ annotate.Case) {
	cues, problems, err := caption.Cues([]byte(got))
	if err != nil || len(problems) > 0 {
		t.Fatalf("%v %v\n%s", err, problems, got)
	}
	if strings.Count(got, "-->") != len(cues) {
		t.Errorf("%d arrows for %d cues:\n%s", strings.Count(got, "-->"), len(cues), got)
	}
	for _, c := range cues {
		if c.Span.To <= c.Span.From {
			t.Errorf("cue without length: %v", c)
		}
	}
}

// checkMarkdown counts what hostile text could add to.
func checkMarkdown(t *testing.T, got string, c annotate.Case) {
	s := sheetOf(c, annotate.OwnUnit, options(t))
	headings, rows := 0, 0
	for i, line := range strings.Split(got, "\n") {
		if i == 0 && !strings.HasPrefix(line, "# ") {
			t.Error("no title")
		}
		if strings.HasPrefix(line, "#") {
			headings++
		}
		if strings.HasPrefix(line, "|") {
			rows++
			if n := len(regexp.MustCompile(`(^|[^\\])(\\\\)*\|`).FindAllString(line, -1)); n < 4 || n > 7 {
				t.Errorf("%d bars in %q", n, line)
			}
		}
		if strings.ContainsAny(line, "<>") || regexp.MustCompile("(^|[^\\\\])(\\\\\\\\)*[`\\[\\]{}#~]").MatchString(strings.TrimLeft(line, "#")) {
			t.Errorf("something with a meaning: %q", line)
		}
	}
	want := 0
	for _, x := range s.Sections {
		if len(x.Rows) > 0 {
			want += len(x.Rows) + 2
		}
	}
	if headings != len(s.Sections)+2 || rows != want {
		t.Errorf("%d headings and %d rows for %d sections and %d rows:\n%s", headings, rows, len(s.Sections), want, got)
	}
}

var htmlElements = strings.Fields("html head meta title style body h1 h2 dl dt dd section p table thead tbody tr th td div strong ul li")

// checkHTML reads the page as XML, which it also is, and allows nothing that
// runs or fetches.
func checkHTML(t *testing.T, got string, c annotate.Case) {
	d := xml.NewDecoder(strings.NewReader(got))
	d.Entity = xml.HTMLEntity
	var text strings.Builder
	for {
		tok, err := d.Token()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			t.Fatalf("%v\n%s", err, got)
		}
		switch tok := tok.(type) {
		case xml.StartElement:
			if !slices.Contains(htmlElements, tok.Name.Local) {
				t.Errorf("element %s", tok.Name.Local)
			}
			for _, a := range tok.Attr {
				if !slices.Contains([]string{"lang", "charset", "http-equiv", "content", "name", "dir", "scope", "class"}, a.Name.Local) {
					t.Errorf("attribute %s", a.Name.Local)
				}
			}
		case xml.CharData:
			text.Write(tok)
		case xml.Comment:
			t.Error("a comment")
		}
	}
	if !strings.Contains(text.String(), oneLine(c.Title)) {
		t.Errorf("the title is not shown as it is: %q", text.String())
	}
	if strings.Contains(got, "url(") || strings.Contains(got, "@import") || strings.Contains(got, "http://") || strings.Contains(got, "https://") {
		t.Error("something is fetched")
	}
}

// checkFolder reads the case back. Cases that break a rule of the case file
// (the store holds none) are refused for that rule alone.
func checkFolder(t *testing.T, got string, c annotate.Case) {
	o := options(t)
	d, err := casefile.Parse("case.yaml", []byte(got), o.Vocabulary)
	if bad := annotate.Errors(c.Check()); len(bad) > 0 {
		if err == nil {
			t.Errorf("read back although %v", bad)
		}
		return
	}
	if err != nil {
		t.Fatalf("%v\n%s", err, got)
	}
	var again bytes.Buffer
	for _, f := range d.Files {
		if f.Use == casefile.Captions {
			r := &d.Case.Recordings[f.Item]
			r.Captions = append(r.Captions, annotate.Track{Language: f.Language})
		}
	}
	for i := range d.Case.Recordings {
		d.Case.Recordings[i].Film.Container = c.Recordings[i].Film.Container
	}
	if err := casefile.Write(&again, d.Case, o.Vocabulary); err != nil || again.String() != got {
		t.Errorf("%v, written again it differs:\n%s", err, cmp.Diff(got, again.String()))
	}
}
