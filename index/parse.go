package index

import (
	"slices"
	"strings"
	"unicode"

	"sideport/annotate/terms"
)

// Limits of what is read of a query: far more than people type.
const (
	maxQuery = 500 // bytes
	maxUnits = 24
)

// typed is a query taken apart by its marks.
type typed struct {
	free    string   // the words without marks
	phrases []string // "in quotation marks": these words in this order
	without []string // -word, -"words": none of these
	open    bool     // the last word may be unfinished
}

// parse reads quotation marks, straight or curved, and the minus of exclusion.
// A mark that is never closed counts as not written.
func parse(s string) typed {
	if len(s) > maxQuery {
		s = strings.ToValidUTF8(s[:maxQuery], "")
	}
	r := []rune(strings.Map(func(c rune) rune {
		if c == '“' || c == '”' || c == '„' {
			return '"'
		}
		return c
	}, s))
	var t typed
	var free strings.Builder
	for i := 0; i < len(r); {
		minus := isMinus(r, i)
		from := i
		if minus {
			from++
		}
		if end := slices.Index(r[min(from+1, len(r)):], '"'); from < len(r) && r[from] == '"' && end >= 0 {
			t.mark(minus, string(r[from+1:from+1+end]))
			free.WriteByte(' ')
			i = from + end + 2
			continue
		}
		if minus {
			end := from
			for end < len(r) && !unicode.IsSpace(r[end]) {
				end++
			}
			t.mark(true, string(r[from:end]))
			i = end
			continue
		}
		free.WriteRune(r[i])
		i++
	}
	t.free = free.String()
	t.open = len(r) > 0 && terms.Normalise(string(r[len(r)-1])) != ""
	return t
}

// isMinus says whether r[i] excludes what follows: it stands at the beginning
// of a word, and a letter, digit or quotation mark follows.
func isMinus(r []rune, i int) bool {
	if r[i] != '-' && r[i] != '−' || i+1 >= len(r) || i > 0 && !unicode.IsSpace(r[i-1]) {
		return false
	}
	return r[i+1] == '"' || unicode.IsLetter(r[i+1]) || unicode.IsDigit(r[i+1])
}

func (t *typed) mark(minus bool, words string) {
	switch {
	case terms.Normalise(words) == "" || len(t.without)+len(t.phrases) >= maxUnits:
	case minus:
		t.without = append(t.without, words)
	default:
		t.phrases = append(t.phrases, words)
	}
}

// idle words say nothing of what is looked for. They count where nothing else
// was typed.
var idle = strings.Fields(`a about after again all an and any are as at be because been before between both but by can case
cases cataract could did do does doing dont during each eye eyes film films find first for from get had has have how i if in
into is it its like look many me more most my need of off on one or other our out over patient please put say see she he should show so some
such tell than that the their them then there these they this those through to too under until up use used using very video videos want was way we
well were what when where which while who why will with within without would you your keep keeps`)

// unit is one thing that a query asks for.
type unit struct {
	words    string   // as typed
	concepts []string // that the words may mean; none: the words themselves
	partly   bool     // the reader switched some of the concepts off
	stem     string   // without concepts: the word, normalised
	mended   bool     // the words were a slip
	open     bool     // may be the beginning of a word
	bonus    bool     // lifts, but is not asked for on its own
	against  bool     // "without …": lowers
}

// understand reads the free words of a query: what names a concept stands for
// that concept, longest names first; every other word stands for itself. Off are
// concepts that the words are not to be read as.
func understand(t typed, v *terms.Vocabulary, known func(word string) bool, off []string) ([]unit, []Reading) {
	ws := mend(t.free, v, known)
	text, starts := rebuilt(ws)
	k := &reader{ws: ws, taken: make([]bool, len(ws)), off: off, v: v}
	matches := v.Scan(text)
	slices.SortStableFunc(matches, func(a, b terms.Match) int { return (b.To - b.From) - (a.To - a.From) })
	for _, m := range matches {
		from, _ := slices.BinarySearch(starts, m.From)
		to := from
		for to < len(starts) && starts[to] < m.To {
			to++
		}
		k.match(m, from, to, t.free)
	}
	k.rest(t.open)
	slices.SortStableFunc(k.readings, func(a, b Reading) int { return strings.Index(t.free, a.Words) - strings.Index(t.free, b.Words) })
	return k.units[:min(len(k.units), maxUnits)], k.readings
}

// typedWord is a word of the query: where it stands, and how it is read.
type typedWord struct {
	from, to int
	read     string
	mended   bool
}

// mend reads each word, putting right slips of the vocabulary's words, unless
// the library itself knows the word as it was typed.
func mend(s string, v *terms.Vocabulary, known func(string) bool) []typedWord {
	var out []typedWord
	for _, at := range spans(s) {
		w := typedWord{from: at[0], to: at[1], read: s[at[0]:at[1]]}
		if near := v.NearestWord(w.read); near != "" && !slices.Contains(idle, terms.Normalise(w.read)) && !known(terms.Normalise(w.read)) {
			w.read, w.mended = near, true
		}
		out = append(out, w)
	}
	return out
}

// spans gives the words of a text as byte offsets; & is a word.
func spans(s string) [][2]int {
	var out [][2]int
	start := -1
	for i, r := range s {
		in := unicode.IsLetter(r) || unicode.IsDigit(r) || r == '\'' || r == '’' || r == '.' && start >= 0
		switch {
		case in && start < 0:
			start = i
		case !in && start >= 0:
			out, start = append(out, [2]int{start, i}), -1
		}
		if r == '&' {
			out = append(out, [2]int{i, i + 1})
		}
	}
	if start >= 0 {
		out = append(out, [2]int{start, len(s)})
	}
	return slices.DeleteFunc(out, func(at [2]int) bool { return terms.Normalise(s[at[0]:at[1]]) == "" })
}

// rebuilt joins the words as they are read, and says where each begins.
func rebuilt(ws []typedWord) (text string, starts []int) {
	var b strings.Builder
	for _, w := range ws {
		starts = append(starts, b.Len())
		b.WriteString(w.read + " ")
	}
	return b.String(), starts
}

// reader turns the words of a query into units.
type reader struct {
	ws       []typedWord
	taken    []bool
	off      []string
	v        *terms.Vocabulary
	units    []unit
	readings []Reading
}

// match takes the words from..to as a name, if a longer one has not taken any
// of them; then a name of one meaning still lifts.
func (k *reader) match(m terms.Match, from, to int, free string) {
	if from >= to {
		return
	}
	u := unit{words: free[k.ws[from].from:k.ws[to-1].to]}
	u.bonus = slices.Contains(k.taken[from:to], true)
	if u.bonus && m.Ambiguous {
		return
	}
	for _, id := range m.Concepts {
		off := slices.Contains(k.off, id)
		if !u.bonus {
			c, _ := k.v.Concept(id)
			k.readings = append(k.readings, Reading{Words: u.words, Concept: id, Label: c.Term, Off: off})
		}
		u.partly = u.partly || off
		if !off {
			u.concepts = append(u.concepts, id)
		}
	}
	if len(u.concepts) == 0 {
		return
	}
	u.against = from > 0 && terms.Normalise(k.ws[from-1].read) == "without" && !u.bonus
	for i := from; i < to; i++ {
		u.mended = u.mended || k.ws[i].mended
		k.taken[i] = true
	}
	k.units = append(k.units, u)
}

// rest makes a unit of every word that no name has taken.
func (k *reader) rest(open bool) {
	var plain []unit
	spoken := false
	for i, w := range k.ws {
		if k.taken[i] {
			continue
		}
		for stem := range strings.SplitSeq(terms.Normalise(w.read), " ") {
			u := unit{words: w.read, stem: stem, mended: w.mended, open: open && i == len(k.ws)-1}
			u.bonus = isNumber(stem)
			spoken = spoken || !slices.Contains(idle, stem)
			plain = append(plain, u)
		}
	}
	for _, u := range plain {
		if slices.Contains(idle, u.stem) && (spoken || len(k.units) > 0) {
			continue
		}
		k.units = append(k.units, u)
	}
}

func isNumber(s string) bool { return strings.Trim(s, "0123456789.") == "" }
