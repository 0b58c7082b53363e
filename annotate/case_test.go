package annotate

import (
	"encoding/json"
	"errors"
	"io"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

func TestAudienceText(t *testing.T) {
	for _, a := range []Audience{Nobody, OwnUnit, Professionals, Public} {
		text, err := a.MarshalText()
		var back Audience
		if err != nil || back.UnmarshalText(text) != nil || back != a {
			t.Errorf("%v as text is %q and back %v, %v", a, text, back, err)
		}
	}
	for _, a := range []Audience{-1, 4} {
		if a.String() != "nobody" {
			t.Errorf("audience %d is %q", int(a), a)
		}
	}
	for _, s := range []string{"", "everybody", "Public", "own-unit", "3"} {
		a := Public
		if err := a.UnmarshalText([]byte(s)); CauseOf(err) != Invalid || a != Public {
			t.Errorf("UnmarshalText(%q) = %v, %v", s, a, err)
		}
	}
	var c Consent
	if err := json.Unmarshal([]byte(`{"audience":"professionals"}`), &c); err != nil || c.Audience != Professionals {
		t.Errorf("consent %+v, %v", c, err)
	}
}

func TestTerm(t *testing.T) {
	for _, tt := range []struct {
		term          Term
		zero, unknown bool
	}{{Term{}, true, false}, {Term{Words: "x"}, false, true}, {Term{Concept: "t.x"}, false, false}, {Term{"t.x", "x"}, false, false}} {
		if tt.term.Zero() != tt.zero || tt.term.Unknown() != tt.unknown {
			t.Errorf("%+v: zero %v, unknown %v", tt.term, tt.term.Zero(), tt.term.Unknown())
		}
	}
}

func TestCaseTerms(t *testing.T) {
	c := Case{Procedure: Term{Concept: "p"}, Factors: []Factor{{Term: Term{Words: "f0"}}, {}, {Term: Term{Concept: "f2"}}},
		Plan:  []Plan{{Challenge: Term{Words: "c0"}, StandBy: []Term{{Concept: "s00"}, {Words: "s01"}}}, {Strategy: "none named"}},
		Notes: []Note{{Term: Term{Concept: "n0"}}, {}}}
	var got []string
	for path, term := range c.Terms {
		got = append(got, path+"="+term.Concept+term.Words)
		term.Words += "!"
	}
	want := []string{"procedure=p", "factors[0].concept=f0", "factors[2].concept=f2", "plan[0].challenge=c0", "plan[0].stand_by[0]=s00", "plan[0].stand_by[1]=s01", "notes[0].concept=n0"}
	if d := cmp.Diff(want, got); d != "" {
		t.Errorf("terms (-want +got):\n%s", d)
	}
	if c.Plan[0].StandBy[1].Words != "s01!" {
		t.Error("the terms are copies; they cannot be resolved in place")
	}
	for stop := range want { // each place must honour a break
		n := 0
		for range c.Terms {
			if n++; n > stop {
				break
			}
		}
		if n != stop+1 {
			t.Errorf("stopped after %d, not %d", n, stop+1)
		}
	}
}

func TestCaseLookups(t *testing.T) {
	c := Case{Recordings: []Recording{{ID: "r1", Film: Film{Duration: 60 * Second}}, {ID: "r2", Offset: 30 * Second, Film: Film{Duration: 60 * Second}}},
		Notes: []Note{{ID: "a", Kind: "stage"}, {ID: "b", Kind: "remark"}, {ID: "c", Kind: "stage"}}}
	if r, ok := c.Recording(""); !ok || r.ID != "r1" {
		t.Errorf("first recording = %v, %v", r.ID, ok)
	}
	if r, ok := c.Recording("r2"); !ok || r.Span() != (Span{30 * Second, 90 * Second}) {
		t.Errorf("r2 = %v, %v", r.Span(), ok)
	}
	if _, ok := c.Recording("r3"); ok {
		t.Error("r3 is there")
	}
	if n, ok := c.Note("b"); !ok || n.Kind != "remark" {
		t.Errorf("note b = %+v, %v", n, ok)
	}
	if _, ok := c.Note(""); ok {
		t.Error("a note without an id is there")
	}
	if got := c.OfKind("stage"); len(got) != 2 || got[1].ID != "c" {
		t.Errorf("stages = %+v", got)
	}
	if c.Length() != 90*Second || (&Case{Notes: []Note{{Span: Span{5, 9}}}}).Length() != 9 {
		t.Errorf("length = %v", c.Length())
	}
}

func TestSortNotes(t *testing.T) {
	n := func(id, kind string, from, to Time) Note { return Note{ID: id, Kind: kind, Span: Span{from, to}} }
	c := Case{Notes: []Note{n("f", "remark", 1, 1), n("e", "stage", 2, 3), n("d", "technique", 1, 2), n("c", "stage", 1, 5), n("b", "stage", 1, 9), n("a", "stage", 1, 5)}}
	c.SortNotes()
	var got string
	for _, n := range c.Notes {
		got += n.ID
	}
	if got != "bacdfe" {
		t.Errorf("order %s, want bacdfe: by start, kind, the longer first, id", got)
	}
}

func TestKindsTable(t *testing.T) {
	ids := map[string]bool{}
	for _, k := range Kinds() {
		if ids[k.ID] || k.ID == "" || k.Name == "" || k.Plural == "" || k.Plural == k.Name || k.Weight <= 0 || !strings.HasSuffix(k.Help, ".") {
			t.Errorf("row %+v is incomplete", k)
		}
		ids[k.ID] = true
		for _, s := range []string{k.ID, k.Name, strings.ToUpper(k.Name), " " + k.Name + " "} {
			if got, ok := KindOf(s); !ok || got.ID != k.ID {
				t.Errorf("KindOf(%q) = %q, %v", s, got.ID, ok)
			}
		}
		if k.Exclusive && k.Timing != Spans {
			t.Errorf("%s: only spans can exclude each other", k.ID)
		}
		fields, required := map[string]bool{}, false
		for _, f := range k.Fields {
			if fields[f.ID] || f.ID == "" || f.Label == "" || (f.Type == TermField) != (f.TermKinds != nil) {
				t.Errorf("%s: field %+v", k.ID, f)
			}
			if slices.Contains([]string{"id", "kind", "recording", "concept", "words", "state", "rev", "at"}, f.ID) {
				t.Errorf("%s: the field %s is a key of every note in the case file", k.ID, f.ID)
			}
			if k.Timing != Instants && (f.ID == "from" || f.ID == "to") {
				t.Errorf("%s: the field %s is a time in the case file", k.ID, f.ID)
			}
			fields[f.ID], required = true, required || f.Required
			if got, ok := k.Field(f.ID); !ok || got.Label != f.Label {
				t.Errorf("%s.Field(%s) = %+v, %v", k.ID, f.ID, got, ok)
			}
		}
		if (k.Needs == FieldsNeeded) != required {
			t.Errorf("%s: needs fields: %v, has a required one: %v", k.ID, k.Needs == FieldsNeeded, required)
		}
	}
	for _, s := range []string{"", "stages", "teachingpoint"} {
		if k, ok := KindOf(s); ok {
			t.Errorf("KindOf(%q) = %s", s, k.ID)
		}
	}
	if _, ok := (Kind{}).Field("x"); ok {
		t.Error("a field of no kind")
	}
}

func TestFault(t *testing.T) {
	err := Faultf(Busy, "The film %s is held: %v", "r1", io.ErrUnexpectedEOF)
	if CauseOf(err) != Busy || !errors.Is(err, io.ErrUnexpectedEOF) || err.Error() != "The film r1 is held: unexpected EOF" {
		t.Errorf("fault %v, cause %q", err, CauseOf(err))
	}
	if CauseOf(io.EOF) != "" || CauseOf(nil) != "" {
		t.Error("an error of the program has a cause")
	}
	err.Problems = []Problem{{Path: "title", Say: "is missing"}}
	if !strings.HasSuffix(err.Error(), "\n  title: is missing") {
		t.Errorf("fault %q", err)
	}
}

func TestProblemString(t *testing.T) {
	for want, p := range map[string]Problem{
		"case.yaml:12:9: notes[3].to: bad": {Path: "notes[3].to", Say: "bad", File: "case.yaml", Line: 12, Column: 9},
		"film.vtt:12: bad":                 {Say: "bad", File: "film.vtt", Line: 12},
		"film.vtt: bad":                    {Say: "bad", File: "film.vtt"},
		"line 12: bad":                     {Say: "bad", Line: 12},
		"title: bad":                       {Path: "title", Say: "bad"},
		"bad":                              {Say: "bad"},
	} {
		if got := p.String(); got != want {
			t.Errorf("%+v = %q, want %q", p, got, want)
		}
	}
	if got := Errors([]Problem{{Say: "a", Warning: true}, {Say: "b"}}); len(got) != 1 || got[0].Say != "b" {
		t.Errorf("Errors = %v", got)
	}
}
