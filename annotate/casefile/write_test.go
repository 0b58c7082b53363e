package casefile

import (
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"sideport/annotate"
)

// Terms that a form made, not a file: whatever stands in the case must come
// back, also words that the vocabulary would read otherwise.
func TestTermsComeBack(t *testing.T) {
	v := vocabulary(t)
	for _, tt := range []struct {
		name string
		term annotate.Term
		want string // as written in a factor
	}{
		{"concept", annotate.Term{Concept: "f.small-pupil"}, "{concept: small-pupil}"},
		{"concept with its synonym", annotate.Term{Concept: "f.zonular-weakness", Words: "loose bag"}, "{concept: loose bag}"},
		{"concept with other words", annotate.Term{Concept: "f.zonular-weakness", Words: "it wobbles"}, "{concept: zonular-weakness, said: it wobbles}"},
		{"concept with words of another", annotate.Term{Concept: "f.zonular-weakness", Words: "small pupil"}, "{concept: zonular-weakness, said: small pupil}"},
		{"concept with an ambiguous word", annotate.Term{Concept: "d.ctr", Words: "ring"}, "{concept: capsular-tension-ring, said: ring}"},
		{"unknown words", annotate.Term{Words: "it wobbles"}, "{concept: it wobbles}"},
		{"ambiguous words", annotate.Term{Words: "ring"}, "{said: ring}"},
		{"words that the vocabulary has learnt since", annotate.Term{Words: "small pupil"}, "{said: small pupil}"},
		{"words that are an id", annotate.Term{Words: "f.small-pupil"}, "{said: f.small-pupil}"},
		{"long words", annotate.Term{Words: strings.Repeat("w", annotate.MaxTitle)}, ""},
	} {
		t.Run(tt.name, func(t *testing.T) {
			c := annotate.Case{Title: "a", Status: annotate.Draft, Procedure: tt.term, Factors: []annotate.Factor{{Term: tt.term}},
				Plan: []annotate.Plan{{Challenge: tt.term, StandBy: []annotate.Term{tt.term}}},
				Notes: []annotate.Note{
					{ID: "n1", Kind: "remark", Words: "b", Term: tt.term, State: annotate.Inked},
					{ID: "n2", Kind: "setting", State: annotate.Inked, Fields: map[string]annotate.Fact{
						"mode": {Concept: tt.term.Concept, Text: tt.term.Words}, "values": {Quantities: []annotate.Quantity{{Parameter: "p.cde", Value: 1.5}}}}}}}
			once := mustWrite(t, v, c)
			if !strings.Contains(once, "\n  - "+tt.want) {
				t.Errorf("not written as %s:\n%s", tt.want, once)
			}
			d := mustParse(t, v, once)
			if c.Notes[1].Fields["mode"].Text == "" {
				known, _ := v.Concept(tt.term.Concept)
				c.Notes[1].Fields["mode"] = annotate.Fact{Concept: tt.term.Concept, Text: known.Term}
			}
			c.SortNotes()
			d.Case.SortNotes()
			for i := range c.Notes {
				c.Notes[i].ID, d.Case.Notes[i].ID = "", ""
			}
			if diff := cmp.Diff(c, d.Case); diff != "" {
				t.Errorf("%s\n%s", diff, once)
			}
		})
	}
}

// Every concept has a name in the file that means it and nothing else.
func TestEveryConceptComesBack(t *testing.T) {
	v := vocabulary(t)
	for _, c := range v.All() {
		for _, kinds := range [][]string{{c.Kind}, nil, factorKinds, standByKinds} {
			concept, said := written(v, annotate.Term{Concept: c.ID}, kinds)
			if got, candidates := term(v, concept, kinds); got != (annotate.Term{Concept: c.ID}) || said != "" {
				t.Errorf("%s among %v is written %q, %q, which is %+v %v", c.ID, kinds, concept, said, got, candidates)
			}
		}
	}
}

func TestEveryParameterComesBack(t *testing.T) {
	v := vocabulary(t)
	for _, p := range annotate.Parameters() {
		for _, key := range []string{parameterKey(p.ID), strings.ReplaceAll(parameterKey(p.ID), "_", "-"), p.Label, strings.ReplaceAll(strings.ToLower(p.Label), " ", "_"), p.ID} {
			if got, ok := parameter(v, key); !ok || got.ID != p.ID {
				t.Errorf("%q is %q, want %s", key, got.ID, p.ID)
			}
		}
	}
}

func TestScalarsComeBack(t *testing.T) {
	v := vocabulary(t)
	for _, s := range []string{
		"a", "yes", "No", "null", "~", "true", "12", "1e3", "0x1F", "1_000", ".5", "-", "- a", "a: b", "a #b", "#a", "a#b", "[a]", "{a}", "a, b", "*a", "&a", "!a", "|", ">", "%", "@", "`", "'", `"`, `\`,
		"it's", "a'", "?", "? a", ":", "a:", "---", "...", "2026-03-01", "02:20", "6/9", "<<", "=", "a\nb", "a\n\nb", "a\n b", "a \nb", "a\tb", "tab\n\tx", "#\n-", "a\n---\nb", "a\n...\nb",
		"\u00a0a\u00a0", "a\u2028b", "a\u0085b", "\ufeffa", "a\u200db", "🙂", "عربي", "e\u0301", strings.Repeat("long words ", 400), "x\n" + strings.Repeat("a", 300),
	} {
		c := annotate.Case{Title: "t", Status: annotate.Draft, Summary: s, Hindsight: s, Outcome: []annotate.Outcome{{When: "day 1", Words: s}, {When: "day 2", VisualAcuity: "6/6", Words: s}}}
		once := mustWrite(t, v, c)
		d, err := Parse(Name, []byte(once), v)
		if err != nil {
			if want := annotate.Errors(c.Check()); len(want) == 0 {
				t.Errorf("%q: %v\n%s", s, err, once)
			}
			continue
		}
		want := tidy(s)
		if d.Case.Summary != want || d.Case.Hindsight != want || d.Case.Outcome[0].Words != want || d.Case.Outcome[1].Words != want {
			t.Errorf("%q came back as %q\n%s", s, d.Case.Summary, once)
		}
	}
}

func TestLocateAfterProbing(t *testing.T) {
	v := vocabulary(t)
	d := mustParse(t, v, "title: a\nrecordings:\n  - {file: a.mp4}\nnotes:\n  - {kind: remark, from: 5, to: 6, words: a}\n  - {kind: stage, concept: st.cortex, from: 8, to: 30}\n  - {kind: remark, at: 50, words: a}\n")
	d.Case.Recordings[0].Film.Duration = 10 * annotate.Second
	var got []string
	for _, p := range d.Locate(annotate.Errors(d.Case.Check())) {
		got = append(got, p.String())
	}
	want := []string{
		"case.yaml:6:52: notes[1].to: 00:30 is after the end of the film, which lasts until 00:10",
		"case.yaml:7:24: notes[2].at: 00:50 is after the end of the film, which lasts until 00:10",
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Error(diff)
	}
	for path, want := range map[string]int{"": 1, "title": 1, "eye": 1, "recordings[0].captions": 3, "recordings[7]": 3, "notes[0].values.vacuum": 5, "notes[2].from": 7, "nonsense": 1} {
		if got := d.Locate([]annotate.Problem{{Path: path}})[0]; got.Line != want || got.File != Name || got.Column == 0 {
			t.Errorf("%q is at %v, want line %d", path, got, want)
		}
	}
}

func TestWriteRefusesUnknownKinds(t *testing.T) {
	var b strings.Builder
	err := Write(&b, annotate.Case{Title: "a", Notes: []annotate.Note{{ID: "n1", Kind: "song"}}}, vocabulary(t))
	if err == nil || b.Len() > 0 {
		t.Errorf("wrote %q, %v", b.String(), err)
	}
}

func TestFilesAreNamedAlike(t *testing.T) {
	track := func(languages ...string) (r annotate.Recording) {
		for _, l := range languages {
			r.Captions = append(r.Captions, annotate.Track{Language: l})
		}
		return r
	}
	for _, tt := range []struct{ got, want string }{
		{RecordingFile(0, "mp4"), "recording-1.mp4"}, {RecordingFile(1, "webm"), "recording-2.webm"}, {RecordingFile(2, "mkv"), "recording-3.mp4"}, {RecordingFile(0, ""), "recording-1.mp4"},
		{CaptionsFile(0, track("en"), 0), "recording-1.vtt"}, {CaptionsFile(0, track("de"), 0), "recording-1.de.vtt"}, {CaptionsFile(1, track("en", "pt-BR"), 1), "recording-2.pt-BR.vtt"},
		{CaptionsFile(0, track("../x"), 0), "recording-1.vtt"}, {StillFile(9), "still-10.jpg"},
	} {
		if tt.got != tt.want || checkPath(tt.got) != "" {
			t.Errorf("got %s, want %s", tt.got, tt.want)
		}
	}
}
