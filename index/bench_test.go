package index

import (
	"fmt"
	"path/filepath"
	"testing"

	"sideport/annotate"
	"sideport/annotate/terms"
)

// large makes a case with 40 notes and 400 captions, different for each n.
func large(v *terms.Vocabulary, n int) annotate.Case {
	all := v.All()
	pick := func(i int) terms.Concept { return all[(n*31+i*17)%len(all)] }
	c := simple(fmt.Sprintf("case-%04d", n), "Case of "+pick(0).Term)
	c.Rev = uint64(n)
	c.Procedure = annotate.Term{Concept: "st.proc-phaco"}
	c.Factors = []annotate.Factor{{Term: annotate.Term{Concept: pick(1).ID}}, {Term: annotate.Term{Concept: pick(2).ID}}}
	kinds := annotate.Kinds()
	for i := range 40 {
		t := annotate.Time(i) * 15 * annotate.Second
		c.Notes = append(c.Notes, annotate.Note{ID: fmt.Sprint("n", i), Kind: kinds[i%len(kinds)].ID, Recording: "r1", Span: annotate.At(t), State: annotate.Inked,
			Term: annotate.Term{Concept: pick(i).ID}, Words: fmt.Sprintf("here the %s meets the %s, so we go slowly and look %d times", pick(i+3).Term, pick(i+5).Term, i)})
	}
	var cues []annotate.Cue
	for i := range 400 {
		t := annotate.Time(i) * 2 * annotate.Second
		cues = append(cues, annotate.Cue{Span: annotate.Span{From: t, To: t + 2*annotate.Second}, Text: fmt.Sprintf("now I take the %s and turn it gently to the left", pick(i).Term)})
	}
	c.Recordings = []annotate.Recording{{ID: "r1", Film: annotate.Film{Duration: 800 * annotate.Second}, Captions: []annotate.Track{{Language: "en", Cues: cues}}}}
	return c
}

func BenchmarkApplyOneCase(b *testing.B) {
	x, _ := open(b, filepath.Join(b.TempDir(), "index"))
	defer x.Close()
	for n := 0; b.Loop(); n++ {
		apply(b, x, uint64(n+1), []annotate.Case{large(x.v, n%50)})
	}
}

func BenchmarkSearchThousandCases(b *testing.B) {
	x, _ := open(b, filepath.Join(b.TempDir(), "index"))
	defer x.Close()
	for n := 0; n < 1000; n += 100 {
		var cs []annotate.Case
		for i := range 100 {
			cs = append(cs, large(x.v, n+i))
		}
		apply(b, x, uint64(n+1), cs)
	}
	for _, words := range []string{"", "loose bag horizontal chop", "here we go slowly", "divide and conquer beginner settings sculpt vacuum", "phaco", "horizonal chp"} {
		b.Run(words, func(b *testing.B) {
			for b.Loop() {
				if _, err := x.Search(b.Context(), Query{Words: words, Scope: Scope{Audience: annotate.Public}, Limit: 20}); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
	b.Run("suggest", func(b *testing.B) {
		for b.Loop() {
			if _, err := x.Suggest(b.Context(), "loose bag hor", Scope{Audience: annotate.Public}, 8); err != nil {
				b.Fatal(err)
			}
		}
	})
}
