package index

import (
	"log/slog"
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

func TestSmoke(t *testing.T) {
	x, _ := open(t, t.TempDir()+"/i")
	defer x.Close()
	c := annotate.Case{ID: "a", Rev: 1, Title: "Loose bag", Status: annotate.Published, Consent: annotate.Consent{Audience: annotate.Public},
		Factors: []annotate.Factor{{Term: annotate.Term{Concept: "f.pxf"}}},
		Notes:   []annotate.Note{{ID: "n1", Kind: "technique", Span: annotate.At(5 * annotate.Second), Term: annotate.Term{Concept: "t.horizontal-chop"}, Words: "chop across, spare the zonules", State: annotate.Inked}}}
	if err := x.Apply(t.Context(), 3, []annotate.Case{c}, nil); err != nil {
		t.Fatal(err)
	}
	r, err := x.Search(t.Context(), Query{Words: "loose bag horizontal chop", Scope: Scope{Audience: annotate.Public}, Limit: 10})
	t.Logf("%+v %v", r, err)
	s, err := x.Suggest(t.Context(), "horiz", Scope{Audience: annotate.Public}, 5)
	t.Log(s, err)
}
