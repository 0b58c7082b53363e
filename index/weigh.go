package index

import (
	"context"

	"github.com/blevesearch/bleve/v2/mapping"
	"github.com/blevesearch/bleve/v2/search"
	"github.com/blevesearch/bleve/v2/search/query"
	indexapi "github.com/blevesearch/bleve_index_api"
)

// part is a query and what it is worth to a document that it matches.
type part struct {
	q        query.Query
	worth    float64
	graded   bool // worth is multiplied by the score that q itself gives
	required bool // counts towards the least number that must match
}

// weigher is a query whose score depends on which parts match and on nothing
// else: not on how often a word is repeated nor how long a text is, for a case
// with a long narration is no better an answer than one with a short. The
// library's own scores divide by length, hence our own.
type weigher struct {
	parts []part
	least int // how many required parts must match
	score func(found []hit) float64
}

// hit is a part that matches the document at hand.
type hit struct {
	part  *part
	score float64 // of the part's own query
}

func (h hit) worth() float64 {
	if h.part.graded {
		return h.part.worth * h.score
	}
	return h.part.worth
}

// best is the score of alternatives: the best, and a little for each other.
func best(found []hit) float64 {
	top, all := 0.0, 0.0
	for _, h := range found {
		top, all = max(top, h.worth()), all+h.worth()
	}
	return top + 0.05*(all-top)
}

// sum is the score of things all asked for.
func sum(found []hit) float64 {
	all := 0.0
	for _, h := range found {
		all += h.worth()
	}
	return max(all, 0)
}

// Searcher is how bleve runs a query.
func (w *weigher) Searcher(ctx context.Context, r indexapi.IndexReader, m mapping.IndexMapping, _ search.SearcherOptions) (search.Searcher, error) {
	s := &weighing{w: w, at: make([]*search.DocumentMatch, len(w.parts))}
	for i := range w.parts {
		o := search.SearcherOptions{Score: "none"}
		if w.parts[i].graded {
			o = search.SearcherOptions{}
		}
		child, err := w.parts[i].q.Searcher(ctx, r, m, o)
		if err != nil {
			_ = s.Close()
			return nil, err
		}
		s.children = append(s.children, child)
	}
	return s, nil
}

// weighing walks the documents of all parts side by side.
type weighing struct {
	w        *weigher
	children []search.Searcher
	at       []*search.DocumentMatch // where each part stands; nil: at its end
	started  bool
	found    []hit
}

func (s *weighing) Next(ctx *search.SearchContext) (*search.DocumentMatch, error) {
	if !s.started {
		s.started = true
		for i := range s.children {
			if err := s.step(ctx, i); err != nil {
				return nil, err
			}
		}
	}
	for {
		rv, err := s.weigh(ctx)
		if rv != nil || err != nil || s.ended() {
			return rv, err
		}
	}
}

func (s *weighing) step(ctx *search.SearchContext, i int) (err error) {
	s.at[i], err = s.children[i].Next(ctx)
	return err
}

func (s *weighing) ended() bool {
	for _, d := range s.at {
		if d != nil {
			return false
		}
	}
	return true
}

// weigh takes the first document that any part stands at and moves those parts
// on; nil when the document does not match as a whole.
func (s *weighing) weigh(ctx *search.SearchContext) (*search.DocumentMatch, error) {
	var first *search.DocumentMatch
	for _, d := range s.at {
		if d != nil && (first == nil || d.IndexInternalID.Compare(first.IndexInternalID) < 0) {
			first = d
		}
	}
	if first == nil {
		return nil, nil
	}
	s.found = s.found[:0]
	required := 0
	id := first.IndexInternalID
	for i, d := range s.at {
		if d == nil || !d.IndexInternalID.Equals(id) {
			continue
		}
		p := &s.w.parts[i]
		s.found = append(s.found, hit{p, d.Score})
		if p.required {
			required++
		}
	}
	first.Score = s.w.score(s.found)
	matches := required >= s.w.least
	for i, d := range s.at {
		if d == nil || d != first && !d.IndexInternalID.Equals(id) {
			continue
		}
		if d != first {
			ctx.DocumentMatchPool.Put(d)
		}
		if err := s.step(ctx, i); err != nil {
			return nil, err
		}
	}
	if !matches {
		ctx.DocumentMatchPool.Put(first)
		return nil, nil
	}
	return first, nil
}

func (s *weighing) Advance(ctx *search.SearchContext, id indexapi.IndexInternalID) (*search.DocumentMatch, error) {
	for i, child := range s.children {
		if s.started && (s.at[i] == nil || s.at[i].IndexInternalID.Compare(id) >= 0) {
			continue
		}
		if s.at[i] != nil {
			ctx.DocumentMatchPool.Put(s.at[i])
		}
		var err error
		if s.at[i], err = child.Advance(ctx, id); err != nil {
			return nil, err
		}
	}
	s.started = true
	return s.Next(ctx)
}

func (s *weighing) Close() (err error) {
	for _, c := range s.children {
		if e := c.Close(); e != nil && err == nil {
			err = e
		}
	}
	return err
}

func (s *weighing) Count() (n uint64) {
	for _, c := range s.children {
		n += c.Count()
	}
	return n
}

func (s *weighing) DocumentMatchPoolSize() int {
	n := len(s.children)
	for _, c := range s.children {
		n += c.DocumentMatchPoolSize()
	}
	return n
}

func (s *weighing) Weight() float64      { return 1 }
func (s *weighing) SetQueryNorm(float64) {}
func (s *weighing) Min() int             { return 0 }
func (s *weighing) Size() int            { return 0 }
