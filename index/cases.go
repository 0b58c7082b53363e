package index

import (
	"context"
	"math"

	"github.com/blevesearch/bleve/v2"
	"github.com/blevesearch/bleve/v2/search/query"
)

// cases finds the cases: those with all that was asked for and, where these
// are few, those with most of it after them. It is only when no case has most
// that fewer will do.
func (s *finding) cases(ctx context.Context) (found *bleve.SearchResult, complete int, err error) {
	asked := s.asked()
	if found, err = s.ask(ctx, asked); err != nil {
		return nil, 0, err
	}
	complete = int(found.Total)
	most := int(math.Ceil(0.6 * float64(asked)))
	for least := most; least >= 1 && least < asked && found.Total < enough; least-- {
		if least < most && found.Total > 0 {
			break
		}
		if found, err = s.ask(ctx, least); err != nil {
			return nil, 0, err
		}
	}
	return s.fallBack(ctx, found, complete)
}

// fallBack serves the pair least == asked == most, such as two words of which
// no case has both.
func (s *finding) fallBack(ctx context.Context, found *bleve.SearchResult, complete int) (*bleve.SearchResult, int, error) {
	for least := s.asked() - 1; least >= 1 && found.Total == 0; least-- {
		var err error
		if found, err = s.ask(ctx, least); err != nil {
			return nil, 0, err
		}
	}
	return found, complete, nil
}

// ask finds the cases with at least so many of the units, and counts facets.
func (s *finding) ask(ctx context.Context, least int) (*bleve.SearchResult, error) {
	q := s.gate("")
	if len(s.units) > 0 {
		q = gated(q, s.all(least))
	}
	size := 0
	if s.q.Limit > 0 {
		size = max(reordered, s.q.Offset+s.q.Limit)
	}
	r := bleve.NewSearchRequestOptions(q, size, 0, false)
	switch {
	case s.q.Sort == "title":
		r.SortBy([]string{fTitle, "_id"})
	case s.q.Sort == "changed" || len(s.units) == 0:
		r.SortBy([]string{"-" + fRev, "_id"})
	default:
		r.SortBy([]string{"-_score", "-" + fRev, "_id"})
	}
	for _, f := range facets {
		if !f.curators || s.q.Scope.All {
			f.ask(r)
		}
	}
	s.last = least
	return s.run(ctx, r)
}

// facets reads the counts. A facet of which values are chosen is counted as
// though none were, so that others can be added to the choice.
func (s *finding) facets(ctx context.Context, found *bleve.SearchResult) ([]Facet, error) {
	out := []Facet{}
	for _, f := range facets {
		if f.curators && !s.q.Scope.All {
			continue
		}
		counts, chosen := found.Facets, s.q.Filters[f.id]
		if len(chosen) > 0 {
			var q query.Query = s.gate(f.id)
			if len(s.units) > 0 {
				q = gated(q, s.all(s.last))
			}
			r := bleve.NewSearchRequestOptions(q, 0, 0, false)
			f.ask(r)
			res, err := s.run(ctx, r)
			if err != nil {
				return nil, err
			}
			counts = res.Facets
		}
		out = append(out, f.read(counts, chosen, s.x.v))
	}
	return out, nil
}
