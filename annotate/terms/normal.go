package terms

import (
	"regexp"
	"slices"
	"strings"
	"unicode"
	"unicode/utf8"
)

// token is one word of a text: where it stands, and its form for comparing.
type token struct {
	from, to int    // byte offsets
	word     string // folded: case and spelling
	key      string // and without a plural s
}

// Normalise folds what writers differ in without meaning anything by it: case,
// hyphens, slashes, apostrophes, & for and, British and American spelling.
// "Haemorrhage/I&A" becomes "hemorrhage i and a".
func Normalise(s string) string {
	var words []string
	for _, t := range tokens(s) {
		words = append(words, t.word)
	}
	return strings.Join(words, " ")
}

// key is s normalised and without plurals: what names are looked up by.
func key(s string) string {
	var words []string
	for _, t := range tokens(s) {
		words = append(words, t.key)
	}
	return strings.Join(words, " ")
}

func isWord(r rune) bool {
	return unicode.IsLetter(r) || unicode.IsDigit(r) || r == '\'' || r == '’'
}

// tokens cuts s into words. A dot between digits belongs to its number.
func tokens(s string) []token {
	var out []token
	start := -1
	flush := func(end int) {
		if start >= 0 {
			if w := fold(s[start:end]); w != "" {
				out = append(out, token{start, end, w, singular(w)})
			}
			start = -1
		}
	}
	for i, r := range s {
		switch {
		case isWord(r) || r == '.' && start >= 0 && digitAt(s, i-1) && digitAt(s, i+1):
			if start < 0 {
				start = i
			}
		case r == '&':
			flush(i)
			out = append(out, token{i, i + utf8.RuneLen(r), "and", "and"})
		default:
			flush(i)
		}
	}
	flush(len(s))
	return out
}

func digitAt(s string, i int) bool { return i >= 0 && i < len(s) && s[i] >= '0' && s[i] <= '9' }

var apostrophes = strings.NewReplacer("'", "", "’", "")

// spellings turns British word parts into American ones. Only the parts that
// occur in this trade are listed: a rule for every "ae" would break others.
var spellings = strings.NewReplacer(
	"haem", "hem", "oedem", "edem", "aesth", "esth", "paed", "ped", "pnoea", "pnea", "leuco", "leuko",
	"aetiolog", "etiolog", "caec", "cec", "fibre", "fiber", "centre", "center",
	"metre", "meter", "litre", "liter", "dioptre", "diopter", "manoeuvre", "maneuver", "manoeuvr", "maneuver",
	"colour", "color", "calliper", "caliper", "dialling", "dialing", "dialler", "dialer", "carouselling", "carouseling",
	"spiralling", "spiraling", "tunnelling", "tunneling", "labell", "label", "levell", "level", "modell", "model",
	"analys", "analyz", "tumour", "tumor", "sulph", "sulf", "programme", "program", "grey", "gray",
)

// The spellings of -ise and of centre(d) are by word ending.
var (
	ise     = regexp.MustCompile(`([a-z]{3})is(e|es|ed|er|ers|ing|ation|ations)$`)
	centred = regexp.MustCompile(`cent(erd|ring)$`)
)

// british has a pair of letters from every part that spellings turn; most
// words have none and are done with.
var british = []string{"ae", "oe", "ou", "ll", "tr", "br", "ys", "lp", "mm", "ey", "uc"}

// fold brings a word to the one form in which words are compared.
func fold(w string) string {
	w = apostrophes.Replace(strings.ToLower(w))
	if slices.ContainsFunc(british, func(pair string) bool { return strings.Contains(w, pair) }) {
		w = spellings.Replace(w)
	}
	if len(w) > 6 && (strings.Contains(w, "is") || strings.Contains(w, "ent")) {
		w = ise.ReplaceAllString(w, "${1}iz$2")
		w = centred.ReplaceAllStringFunc(w, func(s string) string {
			return map[string]string{"centerd": "centered", "centring": "centering"}[s]
		})
	}
	return w
}

// singular takes off a plural s, and leaves lens, pus, glass and diagnosis alone.
func singular(w string) string {
	if len(w) < 4 || !strings.HasSuffix(w, "s") || w == "lens" {
		return w
	}
	switch w[len(w)-2] {
	case 's', 'u', 'i':
		return w
	}
	if w == "lenses" {
		return "lens"
	}
	return w[:len(w)-1]
}
