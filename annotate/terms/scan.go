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
	for i := range ts {
		for n := min(v.longest+1, len(ts)-i); n > 0; n-- {
			if m, ok := v.match(ts[i:i+n], heard); ok {
				m.From, m.To = ts[i].from, ts[i+n-1].to
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

// match looks up a run of words.
func (v *Vocabulary) match(ts []token, heard bool) (Match, bool) {
	m, ok := v.names[joined(ts, " ")]
	if !ok && len(ts) <= 4 {
		m, ok = v.squeezed[joined(ts, "")]
	}
	if ok && len(m.ids) > 0 {
		return Match{Concepts: slices.Clone(m.ids), Ambiguous: len(m.ids) > 1 || m.weak}, true
	}
	if m, ok = v.heard[joined(ts, " ")]; ok && heard {
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
