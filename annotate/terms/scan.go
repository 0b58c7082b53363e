package terms

import (
	"cmp"
	"slices"
)

// Match is a stretch of a text that names something.
type Match struct {
	From, To  int      // byte offsets
	Concepts  []string // likeliest first
	Ambiguous bool     // the words mean any of Concepts, or something else
	Heard     bool     // a mis-hearing, from [Vocabulary.ScanHeard]
	Within    bool     // lies inside a longer match: "toric" of "toric marking"
}

// Scan finds the names in a text, in order of where they begin, longer ones
// first. Names may overlap: "toric marking" also names "toric". What lies inside
// a longer name is left out where it is ambiguous ("chop" of "horizontal chop")
// or says nothing more than that name and what is broader than it.
func (v *Vocabulary) Scan(text string) []Match { return v.scan(text, false) }

// ScanHeard is Scan for what a speech recogniser wrote: mis-hearings count too.
func (v *Vocabulary) ScanHeard(text string) []Match { return v.scan(text, true) }

func (v *Vocabulary) scan(text string, heard bool) []Match {
	ts := tokens(text)
	var found []Match
	var spaced, squeezed []byte
	for i := range ts {
		spaced, squeezed = spaced[:0], squeezed[:0]
		for n := 1; n <= v.longest+1 && i+n <= len(ts); n++ {
			last := ts[i+n-1]
			if n > 1 {
				spaced = append(spaced, ' ')
			}
			spaced, squeezed = append(spaced, last.key...), append(squeezed, last.key...)
			if m, ok := v.match(spaced, squeezed, n, heard); ok {
				m.From, m.To = ts[i].from, last.to
				found = append(found, m)
			}
		}
	}
	out := make([]Match, 0, len(found))
	for _, m := range found {
		if m, keep := v.nested(m, found); keep {
			out = append(out, m)
		}
	}
	slices.SortStableFunc(out, func(a, b Match) int { return cmp.Or(a.From-b.From, b.To-a.To) })
	return out
}

// match looks up a run of n words, with and without the blanks between them.
// Looking up by bytes makes no strings: texts are long and names are few.
func (v *Vocabulary) match(spaced, squeezed []byte, n int, heard bool) (Match, bool) {
	m, ok := v.names[string(spaced)]
	if !ok && n <= 4 {
		m, ok = v.squeezed[string(squeezed)]
	}
	if ok && len(m.ids) > 0 {
		return Match{Concepts: slices.Clone(m.ids), Ambiguous: len(m.ids) > 1 || m.weak}, true
	}
	if !heard {
		return Match{}, false
	}
	if m, ok = v.heard[string(spaced)]; ok {
		return Match{Concepts: slices.Clone(m.ids), Heard: true}, true
	}
	return Match{}, false
}

// nested marks m where it lies within another match, and says whether it still
// adds anything.
func (v *Vocabulary) nested(m Match, all []Match) (Match, bool) {
	for _, o := range all {
		if o.From > m.From || o.To < m.To || (o.From == m.From && o.To == m.To) {
			continue
		}
		if m.Ambiguous || m.Heard {
			return m, false
		}
		for _, id := range o.Concepts {
			if id == m.Concepts[0] || slices.Contains(v.Broader(id), m.Concepts[0]) {
				return m, false
			}
		}
		m.Within = true
	}
	return m, true
}
