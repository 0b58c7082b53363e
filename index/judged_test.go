package index

import (
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"sideport/annotate"
	"sideport/annotate/terms"
)

// The judged queries of the vocabulary, put to twelve invented cases. A case
// that reaches all required concepts in what its curator stated has grade 2,
// and up to 1 more for those that are nice to have.
func TestJudgedQueriesRankWell(t *testing.T) {
	x, _ := open(t, filepath.Join(t.TempDir(), "index"))
	defer x.Close()
	cases := readCases(t, "testdata/searches/twelve/cases.txt", x.v)
	apply(t, x, 1, cases)
	judged, err := os.ReadFile("../annotate/terms/testdata/queries.tsv")
	if err != nil {
		t.Fatal(err)
	}
	var total float64
	n := 0
	for line := range strings.Lines(string(judged)) {
		cells := strings.Split(strings.TrimRight(line, "\n")+"\t\t", "\t")
		grades := map[string]float64{}
		for _, c := range cases {
			if g := grade(c, x.v, cells[1], cells[2]); g > 0 {
				grades[c.ID] = g
			}
		}
		if cells[0] == "query" || len(grades) == 0 {
			continue
		}
		r, err := x.Search(t.Context(), Query{Words: cells[0], Scope: Scope{All: true}, Limit: 10})
		if err != nil {
			t.Fatal(err)
		}
		score := nDCG(r.Hits, grades)
		if score < 0.9 {
			t.Logf("%.2f %q: %v of %v", score, cells[0], order(r), grades)
		}
		total += score
		n++
	}
	t.Logf("nDCG@10 is %.3f over %d queries that some case answers", total/float64(n), n)
	if n < 30 || total/float64(n) < 0.93 {
		t.Errorf("nDCG@10 is %.3f over %d queries, want 0.93 over at least 30", total/float64(n), n)
	}
}

func order(r Results) (out []string) {
	for _, h := range r.Hits {
		out = append(out, h.Case)
	}
	return out
}

func grade(c annotate.Case, v *terms.Vocabulary, required, nice string) float64 {
	whole, _ := documents(&c, v)
	reached := func(either string) bool {
		return slices.ContainsFunc(strings.Split(either, "|"), func(id string) bool { return slices.Contains(whole[fStated], id) })
	}
	for either := range strings.SplitSeq(required, ";") {
		if !reached(either) {
			return 0
		}
	}
	has, of := 0.0, 0.0
	for id := range strings.SplitSeq(nice, ";") {
		if of++; id != "" && reached(id) {
			has++
		}
	}
	return 2 + has/of
}

// nDCG is the normalised discounted cumulative gain of the first ten hits with
// exponential gains (Burges et al., ICML 2005): Σ (2^grade − 1)/log2(place + 1).
func nDCG(hits []Hit, grades map[string]float64) float64 {
	var got, ideal float64
	for i, h := range hits[:min(10, len(hits))] {
		got += (math.Exp2(grades[h.Case]) - 1) / math.Log2(float64(i)+2)
	}
	var best []float64
	for _, g := range grades {
		best = append(best, g)
	}
	slices.Sort(best)
	slices.Reverse(best)
	for i, g := range best[:min(10, len(best))] {
		ideal += (math.Exp2(g) - 1) / math.Log2(float64(i)+2)
	}
	return got / ideal
}
