package index

import (
	"regexp"
	"slices"
	"strings"

	"sideport/annotate/terms"
)

var word = regexp.MustCompile(`[\p{L}\p{N}'’]+|[.,;:!?\n]`)

// Words that deny what follows them, within a clause.
var deniers = []string{"no", "without", "nor", "neither", "absence", "free"}

// refusers deny what follows only through words of use and articles: "did not
// use a ring" denies the ring, "do not lose the ring" does not.
var refusers = []string{"not", "didnt", "wasnt", "isnt", "never"}

// light are the words that may stand between a denial and what it denies.
var light = []string{"a", "an", "the", "any", "of", "sign", "signs", "evidence", "need", "needed", "for", "or", "further",
	"use", "used", "using", "place", "placed", "put", "insert", "inserted", "see", "seen", "have", "had", "show", "be", "been"}

// deniedAfter are the endings that deny what stands before them.
var deniedAfter = regexp.MustCompile(`^\s*(?:(?:was|were|is|are)\s+)?(?:not\s+(?:needed|used|required|seen|present|necessary|placed|inserted)|unnecessary|absent|ruled out)\b`)

// denial is in every text that denies anything; most texts do not.
var denial = regexp.MustCompile(`(?i)\b(no|nor|neither|not|without|absence|absent|free|never|unnecessary|ruled out|\w+n['’]?t)\b`)

var noApostrophes = strings.NewReplacer("'", "", "’", "")

// denied says which matches of a text are named only to say that they are not
// there: "no phacodonesis", "without a ring", "hooks were not needed".
func denied(text string, matches []terms.Match) []bool {
	out := make([]bool, len(matches))
	if !denial.MatchString(text) {
		return out
	}
	for i, m := range matches {
		out[i] = deniedBefore(text[:m.From]) || deniedAfter.MatchString(strings.ToLower(text[m.To:]))
		if out[i] || i == 0 {
			continue
		}
		// "no phacodonesis or iridodonesis" denies both.
		for j := range i {
			if between := m.From - matches[j].To; out[j] && between > 0 && between < 6 {
				join := strings.TrimSpace(strings.ToLower(text[matches[j].To:m.From]))
				out[i] = out[i] || join == "or" || join == "nor"
			}
		}
	}
	return out
}

// deniedBefore looks back from the end of a text, to the last comma or stop,
// over light words and one that it does not know ("no marked …").
func deniedBefore(before string) bool {
	const far = 48 // bytes; the few words before are enough
	if len(before) > far {
		before = before[len(before)-far:]
	}
	back := word.FindAllString(strings.ToLower(before), -1)
	slices.Reverse(back)
	strange := 0
	for i, w := range back {
		w = noApostrophes.Replace(w)
		switch {
		case i > 4 || strings.ContainsAny(w, ".,;:!?\n"):
			return false
		case slices.Contains(deniers, w):
			return strange < 2
		case slices.Contains(refusers, w):
			return strange == 0
		case !slices.Contains(light, w):
			strange++
		}
	}
	return false
}
