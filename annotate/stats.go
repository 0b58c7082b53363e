package annotate

import (
	"cmp"
	"math"
	"slices"
)

// StageStats is the time that the stages of one recording take.
type StageStats struct {
	Length   Time         // of the recording; where it is unknown, until the last stage ends
	Covered  Time         // film under at least one stage
	Stages   []StageTime  // in order of their start
	Gaps     []Span       // film before, between and after the stages
	Overlaps []Span       // film under more than one stage; a checked case has none
	Totals   []StageTotal // by concept, in order of first appearance
}

// StageTime is one stage.
type StageTime struct {
	Note  string // id
	Term  Term
	Span  Span    // on the case clock
	Share float64 // of Length; 0 where that is 0
}

// StageTotal is all the time of one concept, or of the same words.
type StageTotal struct {
	Term  Term
	Count int
	Time  Time
	Share float64 // of Length
}

// StageStats counts the inked stages of a recording, "" for the first, clipped
// to its film. It is false where there is no such recording.
func (c *Case) StageStats(recording string) (StageStats, bool) {
	r, ok := c.Recording(recording)
	if !ok {
		return StageStats{}, false
	}
	film := r.Span()
	var notes []Note
	for _, n := range c.OfKind("stage") {
		if of, _ := c.Recording(n.Recording); of.ID != r.ID || n.State != Inked {
			continue
		}
		n.Span.From = max(n.Span.From, film.From)
		if film.Len() > 0 {
			n.Span.To = min(n.Span.To, film.To)
		}
		if n.Span.Len() > 0 {
			notes = append(notes, n)
		}
	}
	slices.SortStableFunc(notes, func(a, b Note) int {
		return cmp.Or(cmp.Compare(a.Span.From, b.Span.From), cmp.Compare(a.Span.To, b.Span.To))
	})
	if film.Len() == 0 {
		for _, n := range notes {
			film.To = max(film.To, n.Span.To)
		}
	}
	s := StageStats{Length: film.Len()}
	s.sweep(film, notes)
	s.count(notes)
	return s, true
}

// sweep finds gaps and overlaps of notes in order of their start.
func (s *StageStats) sweep(film Span, notes []Note) {
	end, twice := film.From, film.From // film until end is accounted for, and overlaps until twice
	for _, n := range notes {
		from, to := n.Span.From, n.Span.To
		if from > end {
			s.Gaps = append(s.Gaps, Span{end, from})
			end = from
		}
		if o := (Span{max(from, twice), min(end, to)}); o.Len() > 0 {
			if k := len(s.Overlaps) - 1; k >= 0 && s.Overlaps[k].To == o.From {
				s.Overlaps[k].To = o.To
			} else {
				s.Overlaps = append(s.Overlaps, o)
			}
			twice = o.To
		}
		s.Covered += max(0, to-end)
		end = max(end, to)
	}
	if film.To > end {
		s.Gaps = append(s.Gaps, Span{end, film.To})
	}
}

func (s *StageStats) count(notes []Note) {
	row := map[Term]int{}
	for _, n := range notes {
		s.Stages = append(s.Stages, StageTime{Note: n.ID, Term: n.Term, Span: n.Span, Share: s.share(n.Span.Len())})
		key := n.Term
		if key.Concept != "" {
			key.Words = ""
		} else if key.Words == "" {
			key.Words = n.Words
		}
		i, known := row[key]
		if !known {
			i, row[key] = len(s.Totals), len(s.Totals)
			s.Totals = append(s.Totals, StageTotal{Term: key})
		}
		s.Totals[i].Count++
		s.Totals[i].Time += n.Span.Len()
	}
	for i := range s.Totals {
		s.Totals[i].Share = s.share(s.Totals[i].Time)
	}
}

func (s *StageStats) share(t Time) float64 {
	if s.Length == 0 {
		return 0
	}
	return float64(t) / float64(s.Length)
}

// Percentile gives the p-th percentile of times by the nearest-rank rule: the
// smallest of them that at least p percent do not exceed, so always one of
// them (Hyndman and Fan, The American Statistician 1996;50:361-5, definition 1).
// p lies from 0 to 100, and 0 gives the smallest. It is false without times.
func Percentile(times []Time, p float64) (Time, bool) {
	if len(times) == 0 || !(p >= 0 && p <= 100) {
		return 0, false
	}
	sorted := slices.Sorted(slices.Values(times))
	rank := int(math.Ceil(p * float64(len(sorted)) / 100))
	return sorted[max(rank, 1)-1], true
}
