package index

import (
	"slices"
	"strings"
	"unicode/utf8"

	"sideport/annotate"
	"sideport/annotate/terms"
)

// mark is a stretch of text that answers the query.
type mark struct{ from, to int }

// marks finds what in a moment answers which unit.
func (s *finding) marks(b body, units []weighed) ([]mark, []bool) {
	answers := make([]bool, len(units))
	var out []mark
	byWord := len(s.t.phrases) > 0
	for j, u := range units {
		byWord = byWord || len(u.concepts) == 0
		for _, m := range b.Named {
			if s.names(m, u.concepts) {
				out, answers[j] = append(out, mark{m.From, m.To}), true
			}
		}
	}
	if !byWord {
		return joined(b.Text, out), answers
	}
	ws := spans(b.Text)
	stems := make([]string, len(ws))
	for i, at := range ws {
		stems[i] = stem(terms.Normalise(b.Text[at[0]:at[1]]))
		for j, u := range units {
			if len(u.concepts) == 0 && u.same(stems[i]) {
				out, answers[j] = append(out, mark{at[0], at[1]}), true
			}
		}
	}
	for _, p := range s.t.phrases {
		var want []string
		for w := range strings.SplitSeq(terms.Normalise(p), " ") {
			want = append(want, stem(w))
		}
		for i := 0; i+len(want) <= len(stems); i++ {
			if slices.Equal(stems[i:i+len(want)], want) {
				out = append(out, mark{ws[i][0], ws[i+len(want)-1][1]})
			}
		}
	}
	return joined(b.Text, out), answers
}

// names says whether a stretch names one of the concepts or a narrower one.
func (s *finding) names(m named, concepts []string) bool {
	for _, id := range m.Concepts {
		for _, want := range concepts {
			if id == want || slices.Contains(s.x.v.Broader(id), want) {
				return true
			}
		}
	}
	return false
}

// same says whether a word of a text answers a unit's word.
func (u weighed) same(root string) bool {
	want := u.root
	switch {
	case root == want:
		return true
	case u.open && len(u.stem) >= 3 && strings.HasPrefix(root, u.stem):
		return true
	case u.fuzzy && root != "" && root[0] == want[0]:
		n := slips(want)
		return terms.Distance([]rune(root), []rune(want), n+1) <= n
	}
	return false
}

// joined puts marks in order and joins those that overlap or are one blank apart.
func joined(text string, marks []mark) []mark {
	slices.SortFunc(marks, func(a, b mark) int { return a.from - b.from })
	var out []mark
	for _, m := range marks {
		if n := len(out); n > 0 && (m.from <= out[n-1].to || text[out[n-1].to:m.from] == " ") {
			out[n-1].to = max(out[n-1].to, m.to)
			continue
		}
		out = append(out, m)
	}
	return out
}

// A long text is shown from a little before its first mark.
const (
	shownLength = 260
	shownBefore = 60
)

// shown cuts a moment's text into pieces, and says when its first marked word
// is said.
func (b body) shown(marks []mark) ([]Piece, annotate.Time) {
	first, at := 0, b.At
	if len(marks) > 0 {
		first = marks[0].from
	}
	for _, s := range b.Starts {
		if s.Offset <= first {
			at = s.At
		}
	}
	from, to := 0, len(b.Text)
	if to > shownLength {
		from = wordStart(b.Text, max(0, min(first-shownBefore, to-shownLength)))
		to = wordStart(b.Text, min(to, from+shownLength))
	}
	var out []Piece
	add := func(s string, hit bool) {
		if s != "" {
			out = append(out, Piece{s, hit})
		}
	}
	if from > 0 {
		add("… ", false)
	}
	for _, m := range marks {
		if m.from < from || m.to > to {
			continue
		}
		add(b.Text[from:m.from], false)
		add(b.Text[m.from:m.to], true)
		from = m.to
	}
	add(b.Text[from:to], false)
	if to < len(b.Text) {
		add("…", false)
	}
	return out, at
}

// wordStart moves i back to where a word begins, or forward to a whole letter.
func wordStart(s string, i int) int {
	if i == 0 || i >= len(s) {
		return min(i, len(s))
	}
	if j := strings.LastIndexByte(s[:i], ' '); j >= 0 && i-j < 30 {
		return j + 1
	}
	for i < len(s) && !utf8.RuneStart(s[i]) {
		i++
	}
	return i
}
