package library

import (
	"errors"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"sideport/annotate"
	"sideport/annotate/consent"
)

var emptyRelease consent.Release

func TestParseQuantities(t *testing.T) {
	w := newWorld(t)
	q := func(p string, v float64, u string) annotate.Quantity {
		return annotate.Quantity{Parameter: p, Value: v, Unit: u}
	}
	tests := []struct {
		text string
		want []annotate.Quantity
		say  string
	}{
		{"", nil, ""},
		{" \n , ;", nil, ""},
		{"vacuum 350 mmHg", []annotate.Quantity{q("p.vacuum", 350, "mmHg")}, ""},
		{"Vacuum limit 350 mmHg", []annotate.Quantity{q("p.vacuum", 350, "mmHg")}, ""},
		{"vacuum: 350 mmHg, aspiration flow = 28 mL/min", []annotate.Quantity{q("p.vacuum", 350, "mmHg"), q("p.flow", 28, "mL/min")}, ""},
		{"vacuum 350 mmHg\r\nflow 28 cc/min", []annotate.Quantity{q("p.vacuum", 350, "mmHg"), q("p.flow", 28, "mL/min")}, ""},
		{"vacuum 350mmHg; torsional 60 %", []annotate.Quantity{q("p.vacuum", 350, "mmHg"), q("p.torsional", 60, "%")}, ""},
		{"vacuum", nil, `"vacuum" has no value`},
		{"350 mmHg", nil, "not a parameter"},
		{"courage 350 mmHg", nil, `"courage" is not a parameter`},
		{"vacuum 350", nil, "unit"},
		{"vacuum 350 furlongs", nil, "furlongs"},
		{"vacuum 350 mL/min", nil, "mL/min"},
		{"vacuum 350 mmHg, vacuum 400 mmHg", nil, "twice"},
		{"vacuum -5 mmHg", nil, "-5"},
		{"vacuum 9999 mmHg", nil, "9999"},
	}
	for _, tt := range tests {
		t.Run(tt.text, func(t *testing.T) {
			got, err := w.ParseQuantities(tt.text)
			if tt.say != "" {
				if err == nil || !strings.Contains(err.Error(), tt.say) {
					t.Errorf("got %+v, %v; want an error that says %q", got, err, tt.say)
				}
				return
			}
			if d := cmp.Diff(tt.want, got); err != nil || d != "" {
				t.Errorf("%v (-want +got):\n%s", err, d)
			}
		})
	}
}

// What a form shows of a setting it must be able to read again.
func TestQuantitiesAreReadAsWritten(t *testing.T) {
	w := newWorld(t)
	for _, p := range annotate.Parameters() {
		q := annotate.Quantity{Parameter: p.ID, Value: p.Soft.High, Unit: p.Unit}
		got, err := w.ParseQuantities(p.Label + " " + q.String())
		if err != nil || len(got) != 1 || got[0] != q {
			t.Errorf("%s %s is read as %+v, %v", p.Label, q, got, err)
		}
	}
}

func FuzzParseQuantities(f *testing.F) {
	f.Add("vacuum 350 mmHg, aspiration flow 28 mL/min\ntorsional: 60 %")
	f.Add("=:,;\n-+1e309 mmHg")
	w := newWorld(&testing.T{})
	f.Fuzz(func(t *testing.T, text string) {
		got, err := w.ParseQuantities(text)
		if err != nil {
			return
		}
		for _, q := range got {
			if p, ok := annotate.ParameterOf(q.Parameter); !ok {
				t.Errorf("%q gave %+v", text, q)
			} else if _, err := p.Check(q); err != nil {
				t.Errorf("%q gave %+v: %v", text, q, err)
			}
		}
	})
}

func TestTermsOfANote(t *testing.T) {
	w := newWorld(t)
	id := w.mustAdd(t, "case.yaml", "title: a\n")
	tests := []struct {
		name string
		kind string
		term annotate.Term
		want annotate.Term
		warn string
		say  string
	}{
		{"preferred term", "technique", annotate.Term{Words: "Horizontal chop"}, annotate.Term{Concept: "t.horizontal-chop"}, "", ""},
		{"kebab", "technique", annotate.Term{Words: "horizontal-chop"}, annotate.Term{Concept: "t.horizontal-chop"}, "", ""},
		{"id", "technique", annotate.Term{Words: "t.horizontal-chop"}, annotate.Term{Concept: "t.horizontal-chop"}, "", ""},
		{"concept", "technique", annotate.Term{Concept: "t.horizontal-chop"}, annotate.Term{Concept: "t.horizontal-chop"}, "", ""},
		{"synonym stays as said", "factor", annotate.Term{Words: "loose bag"}, annotate.Term{Concept: "f.zonular-weakness", Words: "loose bag"}, "", ""},
		{"spaces", "technique", annotate.Term{Words: "  Horizontal chop "}, annotate.Term{Concept: "t.horizontal-chop"}, "", ""},
		{"unknown is kept", "technique", annotate.Term{Words: "marigold manoeuvre"}, annotate.Term{Words: "marigold manoeuvre"}, "is not in the vocabulary", ""},
		{"nearly known", "technique", annotate.Term{Words: "horizontal chopp"}, annotate.Term{Words: "horizontal chopp"}, "did you mean", ""},
		{"no such concept", "technique", annotate.Term{Concept: "t.none"}, annotate.Term{}, "", `"t.none" is not a concept`},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			n, warnings, err := w.PutNote(t.Context(), curator, id, annotate.Note{Kind: tt.kind, Term: tt.term}, 0)
			if tt.say != "" {
				if annotate.CauseOf(err) != annotate.Invalid || !strings.Contains(err.Error(), tt.say) {
					t.Errorf("got %+v, %v; want a fault that says %q", n, err, tt.say)
				}
				return
			}
			if err != nil || n.Term != tt.want || (len(warnings) == 0) != (tt.warn == "") || len(warnings) > 0 && !strings.Contains(warnings[0].Say, tt.warn) {
				t.Errorf("got %+v, %+v, %v; want %+v and a warning that says %q", n.Term, warnings, err, tt.want, tt.warn)
			}
			if c := w.cases[id]; err == nil {
				if kept, _ := c.Note(n.ID); kept.Rev != n.Rev || kept.Term != n.Term {
					t.Errorf("kept %+v, given %+v", kept, n)
				}
			}
		})
	}
}

func TestAmbiguousTermsAreAskedAbout(t *testing.T) {
	w := newWorld(t)
	id := w.mustAdd(t, "case.yaml", "title: a\n")
	found := false
	for _, words := range []string{"PC", "AC", "BSS", "chop", "CTR", "block", "ring"} {
		if _, candidates := w.Vocabulary.Resolve(words); len(candidates) < 2 {
			continue
		}
		found = true
		_, _, err := w.PutHead(t.Context(), curator, annotate.Case{ID: id, Title: "a", Status: annotate.Draft, Plan: []annotate.Plan{{Challenge: annotate.Term{Words: words}}}}, 0)
		if annotate.CauseOf(err) != annotate.Invalid || !strings.Contains(err.Error(), "say which") || !strings.Contains(err.Error(), "plan[0].challenge") {
			t.Errorf("%q: %v", words, err)
		}
	}
	if !found {
		t.Error("no word was ambiguous; choose others")
	}
}

func TestChangingNotes(t *testing.T) {
	remark := annotate.Note{Kind: "remark", Words: "one"}
	moody := annotate.Note{Kind: "setting", Fields: map[string]annotate.Fact{"mode": {Text: "marigold"}, "values": {Quantities: []annotate.Quantity{{Parameter: "p.vacuum", Value: 300, Unit: "mmHg"}}}}}
	change := func(fn func(n *annotate.Note)) func(annotate.Note) annotate.Note {
		return func(n annotate.Note) annotate.Note { fn(&n); return n }
	}
	tests := []struct {
		name  string
		v     consent.Viewer
		id    string
		note  func(kept annotate.Note) annotate.Note
		rev   func(kept uint64) uint64
		cause annotate.Cause
		path  string
	}{
		{"as a trainee", trainee, "id1", same, any0, annotate.Refused, ""},
		{"of no case", curator, "none", same, any0, annotate.Missing, ""},
		{"an id of one's own", curator, "id1", change(func(n *annotate.Note) { n.ID = "chosen" }), any0, annotate.Missing, ""},
		{"against another rev", curator, "id1", same, func(r uint64) uint64 { return r + 7 }, annotate.Conflict, ""},
		{"against the rev it has", curator, "id1", same, func(r uint64) uint64 { return r }, "", ""},
		{"whatever the rev may be", curator, "id1", same, any0, "", ""},
		{"without its words", curator, "id1", change(func(n *annotate.Note) { n.Words = "" }), any0, annotate.Invalid, "words"},
		{"of no kind", curator, "id1", change(func(n *annotate.Note) { n.Kind = "dream" }), any0, annotate.Invalid, "kind"},
		{"a mode that is none", curator, "id1", func(annotate.Note) annotate.Note {
			return annotate.Note{Kind: "setting", Fields: map[string]annotate.Fact{"mode": {Concept: "none"}}}
		}, any0, annotate.Invalid, "mode"},
		{"of a mode nobody knows", curator, "id1", func(annotate.Note) annotate.Note { return clone(moody) }, any0, "", ""},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			w := newWorld(t)
			w.mustAdd(t, "case.yaml", "title: a\n")
			kept, _, err := w.PutNote(t.Context(), curator, "id1", remark, 0)
			if err != nil || kept.ID == "" || kept.State != annotate.Inked {
				t.Fatalf("%+v, %v", kept, err)
			}
			before := clone(w.cases["id1"])
			_, _, err = w.PutNote(t.Context(), tt.v, tt.id, tt.note(kept), tt.rev(kept.Rev))
			if annotate.CauseOf(err) != tt.cause || (err == nil) != (tt.cause == "") {
				t.Fatalf("got %v, want cause %q", err, tt.cause)
			}
			if fault, ok := errors.AsType[*annotate.Fault](err); tt.path != "" && (!ok || len(fault.Problems) == 0 || fault.Problems[0].Path != tt.path) {
				t.Errorf("problems %+v, want the path %s", err, tt.path)
			}
			if d := cmp.Diff(before, w.cases["id1"]); (d == "") != (err != nil) {
				t.Errorf("refused: %v; changed (-before +after):\n%s", err, d)
			}
		})
	}
}

func same(n annotate.Note) annotate.Note { return n }

func any0(uint64) uint64 { return 0 }

func TestDroppingNotes(t *testing.T) {
	w := newWorld(t)
	id := w.mustAdd(t, "case.yaml", oneFilm, "a.mp4", "film")
	n := w.cases[id].Notes[0]
	for _, tt := range []struct {
		v     consent.Viewer
		rev   uint64
		cause annotate.Cause
	}{{trainee, n.Rev, annotate.Refused}, {curator, n.Rev + 1, annotate.Conflict}, {curator, n.Rev, ""}, {curator, n.Rev, annotate.Missing}} {
		if err := w.DropNote(t.Context(), tt.v, id, n.ID, tt.rev); annotate.CauseOf(err) != tt.cause {
			t.Errorf("as %s against %d: %v, want cause %q", tt.v.Role, tt.rev, err, tt.cause)
		}
	}
}

// What the record warns of, it warns of where it is changed: terms of notes are
// no business of the head's.
func TestHeadWarnsOfItsOwnTerms(t *testing.T) {
	w := newWorld(t)
	id := w.mustAdd(t, "case.yaml", "title: a\nnotes: [{kind: technique, concept: marigold manoeuvre, at: \"00:01\"}]\n")
	c := w.cases[id]
	c.Factors = []annotate.Factor{{Term: annotate.Term{Words: "foxglove eye"}}}
	rev, warnings, err := w.PutHead(t.Context(), curator, c, c.Rev)
	if err != nil || rev <= c.Rev || len(warnings) != 1 || !strings.Contains(warnings[0].Say, "foxglove") {
		t.Errorf("rev %d, warnings %+v, %v", rev, warnings, err)
	}
	if len(w.cases[id].Notes) != 1 {
		t.Error("the notes went")
	}
	if _, _, err := w.PutHead(t.Context(), trainee, c, 0); annotate.CauseOf(err) != annotate.Refused {
		t.Errorf("a trainee: %v", err)
	}
}

func TestPutCaptions(t *testing.T) {
	w := newWorld(t)
	id := w.mustAdd(t, "case.yaml", oneFilm, "a.mp4", "film")
	track := func(lang string) annotate.Track {
		return annotate.Track{Language: lang, Cues: []annotate.Cue{{Span: annotate.Span{To: annotate.Second}, Text: "x"}}}
	}
	for name, tt := range map[string]struct {
		v     consent.Viewer
		rec   string
		lang  string
		rev   uint64
		cause annotate.Cause
	}{
		"good": {curator, "r1", "de", 0, ""}, "region": {curator, "r1", "pt-BR", 0, ""}, "stale": {curator, "r1", "de", 1, annotate.Conflict},
		"no recording": {curator, "r2", "de", 0, annotate.Missing}, "a path": {curator, "r1", "../x", 0, annotate.Invalid}, "nothing": {curator, "r1", "", 0, annotate.Invalid},
		"a trainee": {trainee, "r1", "de", 0, annotate.Refused},
	} {
		t.Run(name, func(t *testing.T) {
			if tt.rev > 0 { // something has happened since
				if _, err := w.PutCaptions(t.Context(), curator, id, "r1", track("fr"), 0); err != nil {
					t.Fatal(err)
				}
			}
			rev, err := w.PutCaptions(t.Context(), tt.v, id, tt.rec, track(tt.lang), tt.rev)
			if annotate.CauseOf(err) != tt.cause || err == nil && rev != w.cases[id].Rev {
				t.Errorf("rev %d, %v; want cause %q", rev, err, tt.cause)
			}
		})
	}
}
