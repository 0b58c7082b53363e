package terms

import (
	"slices"
	"strings"
)

// Suggest gives at most n concepts of the kinds (nil: any) that have a name with
// a word that begins with prefix; preferred terms before synonyms, beginnings
// before later words, then the vocabulary's order. An empty prefix gives all.
func (v *Vocabulary) Suggest(prefix string, kinds []string, n int) []Concept {
	p := Normalise(prefix)
	var ranks [4][]Concept
	for i, c := range v.concepts {
		if kinds != nil && !slices.Contains(kinds, c.Kind) {
			continue
		}
		if r := rank(v.called[i], p); r >= 0 {
			ranks[r] = append(ranks[r], c)
		}
	}
	out := slices.Concat(ranks[:]...)
	return out[:min(max(n, 0), len(out))]
}

// rank is how well a concept's names answer to a prefix, 0 best, -1 not at all.
func rank(names []called, prefix string) int {
	best := -1
	for i, c := range names {
		r := -1
		if strings.HasPrefix(c.norm, prefix) {
			r = min(i, 1)
		} else if strings.Contains(c.norm, " "+prefix) {
			r = 2 + min(i, 1)
		}
		if r >= 0 && (best < 0 || r < best) {
			best = r
		}
	}
	return best
}

// Nearest gives the known name that words are likely a slip of, for "did you
// mean", or "": one change in four letters, and three at most, are a slip.
func (v *Vocabulary) Nearest(words string) string {
	k := []rune(key(words))
	if len(k) > 80 {
		return ""
	}
	name, least := "", min(len(k)/4, 3)+1
	for _, names := range v.called {
		for _, c := range names {
			if d := Distance(k, []rune(c.key), least); d < least {
				name, least = c.name, d
			}
		}
	}
	return name
}

// NearestWord gives the one word of the vocabulary's names that a word is
// likely a slip of, folded as [Normalise] does, or "" where the word is known,
// begins a known one, is short, or could be several.
func (v *Vocabulary) NearestWord(word string) string {
	k := key(word)
	r := []rune(k)
	if len(r) < 5 || len(r) > 40 || v.lexicon[k] || strings.Contains(k, " ") {
		return ""
	}
	best, least := "", 2
	if len(r) >= 8 {
		least = 3
	}
	for w := range v.lexicon {
		if strings.HasPrefix(w, k) {
			return ""
		}
		if len(w) < 5 {
			continue
		}
		switch d := Distance(r, []rune(w), least+1); {
		case d < least:
			best, least = w, d
		case d == least && best != "":
			best = "?"
		}
	}
	if best == "?" {
		return ""
	}
	return best
}

// Distance counts the letters put in, left out, changed or swapped with their
// neighbour between a and b (optimal string alignment), giving limit when it is
// that or more.
func Distance(a, b []rune, limit int) int {
	if len(a)-len(b) >= limit || len(b)-len(a) >= limit {
		return limit
	}
	before, prev, row := make([]int, len(b)+1), make([]int, len(b)+1), make([]int, len(b)+1)
	for j := range prev {
		prev[j] = j
	}
	for i := 1; i <= len(a); i++ {
		row[0] = i
		for j := 1; j <= len(b); j++ {
			cost := 1
			if a[i-1] == b[j-1] {
				cost = 0
			}
			row[j] = min(prev[j]+1, row[j-1]+1, prev[j-1]+cost)
			if i > 1 && j > 1 && a[i-1] == b[j-2] && a[i-2] == b[j-1] {
				row[j] = min(row[j], before[j-2]+1)
			}
		}
		before, prev, row = prev, row, before
	}
	return min(prev[len(b)], limit)
}
