package web

import (
	"slices"
	"strings"
	"testing"

	"sideport/annotate"
)

func inputNames(in []Input) []string {
	var out []string
	for _, i := range in {
		out = append(out, i.Name)
	}
	return out
}

// Each row of the table of kinds gives a form that asks for what it needs.
func TestEveryKindHasAForm(t *testing.T) {
	for _, k := range annotate.Kinds() {
		t.Run(k.ID, func(t *testing.T) {
			p := NotePage{CaseID: "c", Form: NoteForm{Kind: k.ID}}
			names := inputNames(p.Inputs())
			want := []string{"from", "words", "pencilled"}
			if k.Timing != annotate.Instants {
				want = append(want, "to")
			}
			if k.TermKinds != nil {
				want = append(want, "concept")
			}
			for _, f := range k.Fields {
				want = append(want, "field."+f.ID)
			}
			slices.Sort(names)
			slices.Sort(want)
			if !slices.Equal(names, want) {
				t.Errorf("got %v, want %v", names, want)
			}
			if html := render(t, p); !strings.Contains(html, k.Help) {
				t.Error("the form does not say what the kind is for")
			}
		})
	}
}

func TestProblemsStandBesideTheirFields(t *testing.T) {
	tests := []struct {
		name, kind, from string
		problems         Problems
		beside           string // name of the input; "" above the form
	}{
		{"a field by the form's name", "setting", "03:50", Problems{"field.values": {"say"}}, "field.values"},
		{"a field by the case file's name", "setting", "03:50", Problems{"values": {"say"}}, "field.values"},
		{"the time by the case file's name", "setting", "03:50", Problems{"at": {"say"}}, "from"},
		{"a time that cannot be read", "decision", "soon", Problems{"from": {"say"}}, "from"},
		{"the field from of a decision", "decision", "07:24", Problems{"from": {"say"}}, "field.from"},
		{"the form as a whole", "remark", "07:24", Problems{"": {"say"}}, ""},
		{"something without a field", "remark", "07:24", Problems{"state": {"say"}}, ""},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			p := NotePage{Form: NoteForm{Kind: tt.kind, From: tt.from}, Problems: tt.problems}
			got := "nowhere"
			for _, in := range p.Inputs() {
				if len(in.Problems) > 0 {
					got = in.Name
				}
			}
			if len(p.Whole()) > 0 {
				got = ""
			}
			if got != tt.beside {
				t.Errorf("stands beside %q, want %q", got, tt.beside)
			}
			if n := strings.Count(render(t, p), ">say<"); n != 1 {
				t.Errorf("said %d times, want once", n)
			}
		})
	}
}

func TestNotePageSays(t *testing.T) {
	form := NoteForm{Kind: "decision", From: "07:24", Recording: "r2", Fields: map[string]string{"to": strings.Repeat("é", 100)}}
	p := NotePage{CaseID: "case-11", NoteID: "n15", Form: form}
	fresh := NotePage{CaseID: "case-11", Form: NoteForm{Kind: "setting"}}
	tests := []struct{ name, got, want string }{
		{"heading", p.Heading(), "Change the decision"},
		{"heading of a new one", fresh.Heading(), "Add a setting"},
		{"heading without a kind", NotePage{}.Heading(), "Add a note"},
		{"brief", p.Brief(), strings.Repeat("é", 79) + "…"},
		{"brief of an empty one", fresh.Brief(), "setting"},
		{"action", p.Action(), "/cases/case-11/notes/n15"},
		{"action of a new one", fresh.Action(), "/cases/case-11/notes"},
		{"back", p.Back(), "/cases/case-11?t=444&rec=r2"},
		{"back without a time", fresh.Back(), "/cases/case-11"},
		{"another kind", p.KindURL("remark"), "/cases/case-11/notes/new?kind=remark&rec=r2&t=444"},
	}
	for _, tt := range tests {
		if tt.got != tt.want {
			t.Errorf("%s: got %q, want %q", tt.name, tt.got, tt.want)
		}
	}
}
