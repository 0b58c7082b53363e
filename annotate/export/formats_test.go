package export

import (
	"bytes"
	"encoding/json"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"sideport/annotate"
	"sideport/annotate/caption"
	"sideport/annotate/casefile"
)

func mustJSON(t testing.TB, v any) string {
	t.Helper()
	b, err := json.Marshal(v)
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

// What the whole folder is, is added again as the same case.
func TestFolderRoundTrip(t *testing.T) {
	o := options(t)
	c := richCase(t)
	r := release(t, c, annotate.OwnUnit)
	f, _ := FormatOf("folder")
	d, err := casefile.Parse("case.yaml", []byte(write(t, f, r, o)), o.Vocabulary)
	if err != nil {
		t.Fatal(err)
	}
	attached := map[string]Attachment{}
	var names []string
	for _, a := range f.Files(r, o) {
		attached[a.Name], names = a, append(names, a.Name)
	}
	want := []string{"recording-1.mp4", "recording-1.en.vtt", "recording-1.de.vtt", "recording-2.webm", "still-1.jpg"}
	if diff := cmp.Diff(want, names); diff != "" {
		t.Error(diff)
	}
	for _, file := range d.Files {
		a, ok := attached[file.Path]
		if !ok {
			t.Fatalf("case.yaml names %s, which does not go with it", file.Path)
		}
		switch file.Use {
		case casefile.Recording:
			if a.Recording != c.Recordings[file.Item].ID {
				t.Errorf("%s is of %q", file.Path, a.Recording)
			}
			d.Case.Recordings[file.Item].Film, d.Case.Recordings[file.Item].Hash = c.Recordings[file.Item].Film, c.Recordings[file.Item].Hash
		case casefile.Still:
			if a.Still != c.Stills[file.Item].ID {
				t.Errorf("%s is of %q", file.Path, a.Still)
			}
		case casefile.Captions:
			var b bytes.Buffer
			if err := a.Write(&b); err != nil {
				t.Fatal(err)
			}
			cues, problems, err := caption.Cues(b.Bytes())
			if err != nil || len(problems) > 0 {
				t.Fatal(err, problems)
			}
			rec := &d.Case.Recordings[file.Item]
			rec.Captions = append(rec.Captions, annotate.Track{Language: file.Language, Cues: cues})
		}
		delete(attached, file.Path)
	}
	if len(attached) > 0 {
		t.Errorf("case.yaml does not name %v", attached)
	}
	d.Case.ID = c.ID
	d.Case.SortNotes()
	for i := range c.Notes {
		c.Notes[i].ID, d.Case.Notes[i].ID = "", ""
	}
	c.Recordings[0].Captions[0].Cues[0].Span.To = 28*sec + 333_000 // captions hold milliseconds
	if diff := cmp.Diff(c, d.Case); diff != "" {
		t.Errorf("another case came back:\n%s", diff)
	}
}

func TestFolderNamesWhatIsServed(t *testing.T) {
	o := options(t)
	o.Served = func(r annotate.Recording) string { return map[string]string{"r1": "webm", "r2": "mp4"}[r.ID] }
	f, _ := FormatOf("folder")
	r := release(t, richCase(t), annotate.OwnUnit)
	got := write(t, f, r, o)
	for _, a := range f.Files(r, o) {
		if !strings.Contains(got, "file: "+a.Name) && !strings.Contains(got, "{file: "+a.Name) {
			t.Errorf("%s is not in case.yaml:\n%s", a.Name, got)
		}
	}
	if !strings.Contains(got, "recording-1.webm") || !strings.Contains(got, "recording-2.mp4") {
		t.Error(got)
	}
}

// The register reference and what is only proposed stay in the unit.
func TestNothingPrivateLeaves(t *testing.T) {
	c := richCase(t)
	for _, f := range Formats() {
		got := write(t, f, release(t, c, annotate.Professionals), options(t))
		if strings.Contains(got, "4711") || strings.Contains(got, "pencilled") {
			t.Errorf("%s for professionals tells too much:\n%s", f.ID, got)
		}
		if f.ID != "folder" && strings.Contains(got, "2026-03-01") {
			t.Errorf("%s tells a day", f.ID)
		}
	}
	f, _ := FormatOf("folder")
	if got := write(t, f, release(t, c, annotate.OwnUnit), options(t)); !strings.Contains(got, "4711") || !strings.Contains(got, "pencilled") {
		t.Errorf("the unit's own folder is not whole:\n%s", got)
	}
}

func TestChapters(t *testing.T) {
	f, _ := FormatOf("chapters")
	note := func(from, to annotate.Time, words string) annotate.Note {
		return annotate.Note{Kind: "stage", Recording: "r1", State: annotate.Inked, Term: annotate.Term{Words: words}, Span: annotate.Span{From: from, To: to}}
	}
	for _, tt := range []struct {
		name      string
		recording annotate.Recording
		notes     []annotate.Note
		want      []string
	}{
		{"touching stay touching", annotate.Recording{}, []annotate.Note{note(0, 1_000_333, "a"), note(1_000_333, 2*sec, "b")},
			[]string{"00:00:00.000 --> 00:00:01.000", "00:00:01.000 --> 00:00:02.000"}},
		{"gaps are kept", annotate.Recording{}, []annotate.Note{note(0, sec, "a"), note(2*sec, 3*sec, "b")},
			[]string{"00:00:00.000 --> 00:00:01.000", "00:00:02.000 --> 00:00:03.000"}},
		{"very short is kept", annotate.Recording{}, []annotate.Note{note(sec, sec+100_000, "a"), note(sec+100_000, sec+100_001, "b"), note(3*sec, 4*sec, "c")},
			[]string{"00:00:01.000 --> 00:00:01.100", "00:00:01.100 --> 00:00:03.000", "00:00:03.000 --> 00:00:04.000"}},
		{"on the recording's own clock", annotate.Recording{Offset: 10 * sec}, []annotate.Note{note(12*sec, 15*sec, "a")}, []string{"00:00:02.000 --> 00:00:05.000"}},
		{"before the case clock", annotate.Recording{Offset: -10 * sec}, []annotate.Note{note(-9*sec, 0, "a")}, []string{"00:00:01.000 --> 00:00:10.000"}},
		{"cut to the film", annotate.Recording{Offset: 10 * sec, Film: annotate.Film{Duration: 20 * sec}}, []annotate.Note{note(5*sec, 12*sec, "a"), note(20*sec, 31*sec, "b"), note(40*sec, 50*sec, "c")},
			[]string{"00:00:00.000 --> 00:00:02.000", "00:00:10.000 --> 00:00:20.000"}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			tt.recording.ID = "r1"
			c := annotate.Case{Title: "a", Recordings: []annotate.Recording{tt.recording}, Notes: tt.notes}
			var got []string
			for _, line := range strings.Split(write(t, f, release(t, c, annotate.Public), options(t)), "\n") {
				if strings.Contains(line, "-->") {
					got = append(got, line)
				}
			}
			if d := cmp.Diff(tt.want, got); d != "" {
				t.Error(d)
			}
		})
	}
}

func TestOneRecordingOfSeveral(t *testing.T) {
	c := richCase(t)
	r := release(t, c, annotate.OwnUnit)
	o := options(t)
	o.Recording = "r2"
	chapters, _ := FormatOf("chapters")
	if got := write(t, chapters, r, o); got != "WEBVTT\n\n00:00:00.500 --> 00:00:30.500\nPreparation and draping\n\n" {
		t.Errorf("chapters of the second recording: %q", got)
	}
	captions, _ := FormatOf("captions")
	if got := write(t, captions, r, o); got != "WEBVTT\n\n" {
		t.Errorf("captions of a recording without: %q", got)
	}
	for _, f := range []Format{chapters, captions} {
		o.Recording = "r9"
		var b bytes.Buffer
		if err := f.Write(&b, r, o); annotate.CauseOf(err) != annotate.Missing || b.Len() > 0 {
			t.Errorf("%s of an unknown recording: %v, %q", f.ID, err, b.String())
		}
	}
	o.Recording, o.Language = "", "de"
	if got := write(t, captions, r, o); !strings.Contains(got, "Parazentese") {
		t.Errorf("captions in German: %q", got)
	}
	o.Language = "fr"
	var b bytes.Buffer
	if err := captions.Write(&b, r, o); annotate.CauseOf(err) != annotate.Missing || !strings.Contains(err.Error(), "en, de") {
		t.Errorf("captions in French: %v", err)
	}
}

func TestPercent(t *testing.T) {
	for _, tt := range []struct {
		used, usual float64
		want        string
	}{{30, 40, "−25 %"}, {500, 600, "−16.7 %"}, {55, 40, "+37.5 %"}, {40, 40, "as usual"}, {39.999, 40, "as usual"}} {
		change, ok := annotate.RelativeChange(annotate.Quantity{Value: tt.used}, annotate.Quantity{Value: tt.usual})
		if got := percent(change); !ok || got != tt.want {
			t.Errorf("%v instead of %v: %q, want %q", tt.used, tt.usual, got, tt.want)
		}
	}
}

func TestMarkdownTakesMeaningAway(t *testing.T) {
	for in, want := range map[string]string{
		"- item": `\- item`, "+ item": `\+ item`, "12. item": `12\. item`, "1) item": `1\) item`, "===": `\===`, "# head": `\# head`, "> quote": "&gt; quote",
		"* star": `\* star`, "a\nb": "a b", "a\tb\x00c\u2028d": "a b c d", "a|b": `a\|b`, "<b>&amp;": "&lt;b&gt;&amp;amp;", "![x](y)": `\!\[x\](y)`, `\`: `\\`, "2.5 mm": "2.5 mm",
	} {
		if got := paragraph(in); got != want {
			t.Errorf("paragraph(%q) = %q, want %q", in, got, want)
		}
	}
}

func TestCautionsApply(t *testing.T) {
	plain, rich := cautions(annotate.Case{Title: "a"}), cautions(richCase(t))
	if len(plain) != 2 || len(rich) != 4 {
		t.Errorf("%d cautions for a bare case, %d for a rich one: %q", len(plain), len(rich), slices.Concat(plain, rich))
	}
}
