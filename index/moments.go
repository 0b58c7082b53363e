package index

import (
	"cmp"
	"context"
	"encoding/json"
	"fmt"
	"math"
	"slices"
	"strings"

	"github.com/blevesearch/bleve/v2"
	"github.com/blevesearch/bleve/v2/search/query"

	indexapi "github.com/blevesearch/bleve_index_api"
)

// Of a case, this many moments are read and this many shown.
const (
	momentsRead  = 12
	momentsShown = 5
)

// place is a moment's document that answers, before it is read.
type place struct {
	id    string
	score float64
}

// hits makes the page of results: the cases in order, each with its moments.
func (s *finding) hits(ctx context.Context, found *bleve.SearchResult) ([]Hit, error) {
	hits := []Hit{}
	for _, h := range found.Hits {
		score := h.Score
		if math.IsNaN(score) {
			score = 0 // a list in another order is not scored
		}
		hits = append(hits, Hit{Case: h.ID, Score: score})
	}
	if len(hits) == 0 {
		return hits, nil
	}
	if s.q.Offset >= reordered {
		hits = hits[min(s.q.Offset, len(hits)):]
		s.q.Offset = 0
	} else if len(s.units) > 0 && s.q.Sort == "" {
		return s.reorder(ctx, hits)
	}
	return s.page(ctx, hits, nil)
}

// reorder lets what is said at one second count beside what the case says as a
// whole, for the first of the cases.
func (s *finding) reorder(ctx context.Context, hits []Hit) ([]Hit, error) {
	places, err := s.places(ctx, hits, s.momentUnits())
	if err != nil {
		return nil, err
	}
	head := hits[:min(reordered, len(hits))]
	for i := range head {
		if p := places[head[i].Case]; len(p) > 0 {
			head[i].Score += 0.3 * p[0].score
		}
	}
	slices.SortStableFunc(head, func(a, b Hit) int { return cmp.Compare(b.Score, a.Score) })
	return s.page(ctx, hits, places)
}

// page cuts the asked page out of hits and reads its moments, from places where
// these are known.
func (s *finding) page(ctx context.Context, hits []Hit, places map[string][]place) (_ []Hit, err error) {
	hits = hits[min(s.q.Offset, len(hits)):]
	hits = hits[:min(s.q.Limit, len(hits))]
	units := s.momentUnits()
	if places == nil {
		if places, err = s.places(ctx, hits, units); err != nil {
			return nil, err
		}
	}
	for i := range hits {
		if hits[i].Moments, err = s.moments(places[hits[i].Case], units); err != nil {
			return nil, err
		}
	}
	return hits, nil
}

// momentUnits are what moments are looked for by: the words, or where there are
// none the chosen concepts.
func (s *finding) momentUnits() []weighed {
	var out []weighed
	for _, u := range s.units {
		if !u.against {
			out = append(out, u)
		}
	}
	if len(out) > 0 || len(s.t.phrases) > 0 {
		return out
	}
	for _, f := range facets {
		for _, id := range s.q.Filters[f.id] {
			if _, ok := s.x.v.Concept(id); ok {
				u := unit{concepts: []string{id}}
				out = append(out, weighed{unit: u, q: s.conceptLadder(u), worth: 1})
			}
		}
	}
	return out
}

// places finds the moments of the cases, best first, by case.
func (s *finding) places(ctx context.Context, hits []Hit, units []weighed) (map[string][]place, error) {
	w := &weigher{score: sum}
	for _, u := range units {
		w.parts = append(w.parts, part{q: u.q, worth: u.worth, graded: true})
	}
	for _, p := range s.t.phrases {
		w.parts = append(w.parts, part{q: s.phrase(p), worth: 3})
	}
	if len(w.parts) == 0 || len(hits) == 0 {
		return nil, nil
	}
	var cases []query.Query
	for _, h := range hits {
		cases = append(cases, termQuery(fCase, h.Case))
	}
	gate := query.NewConjunctionQuery([]query.Query{termQuery(fType, typeMoment), s.scope(), query.NewDisjunctionQuery(cases)})
	const many = 5_000
	res, err := s.run(ctx, bleve.NewSearchRequestOptions(gated(gate, w), many, 0, false))
	if err != nil {
		return nil, err
	}
	out := map[string][]place{}
	for _, h := range res.Hits {
		id, rest, _ := strings.Cut(h.ID, "\x00")
		_, class, _ := strings.Cut(rest, "\x00")
		out[id] = append(out[id], place{h.ID, h.Score * math.Sqrt(weightOf(class))})
	}
	for _, ps := range out {
		slices.SortStableFunc(ps, func(a, b place) int {
			return cmp.Or(cmp.Compare(b.score, a.score), strings.Compare(a.id, b.id))
		})
	}
	return out, nil
}

// moments reads a case's best places and chooses among them: after the best,
// those first that answer something not yet answered.
func (s *finding) moments(places []place, units []weighed) ([]Moment, error) {
	type candidate struct {
		Moment
		answers []bool
	}
	var from []candidate
	for _, p := range places[:min(momentsRead, len(places))] {
		b, err := s.read1(p.id)
		if err != nil {
			return nil, err
		}
		m := Moment{Note: b.Note, Kind: b.Kind, Recording: b.Recording, At: b.At, Score: p.score}
		marks, answers := s.marks(b, units)
		m.Text, m.At = b.shown(marks)
		from = append(from, candidate{m, answers})
	}
	var out []Moment
	answered := make([]bool, len(units))
	for len(from) > 0 && len(out) < momentsShown {
		best, top := 0, -1.0
		for i, c := range from {
			worth := c.Score
			for j, yes := range c.answers {
				if yes && !answered[j] {
					worth += 0.5 * units[j].worth
				}
			}
			if worth > top {
				best, top = i, worth
			}
		}
		for j, yes := range from[best].answers {
			answered[j] = answered[j] || yes
		}
		out = append(out, from[best].Moment)
		from = slices.Delete(from, best, best+1)
	}
	return out, nil
}

// read1 reads what is kept of one moment.
func (s *finding) read1(id string) (b body, err error) {
	doc, err := s.x.b.Document(id)
	if err != nil {
		return b, fmt.Errorf("read moment: %w", err)
	}
	if doc == nil {
		return b, nil // replaced in this very moment
	}
	doc.VisitFields(func(f indexapi.Field) {
		if f.Name() == fBody {
			err = json.Unmarshal(f.Value(), &b)
		}
	})
	if err != nil {
		return b, fmt.Errorf("read moment: %w", err)
	}
	return b, nil
}
