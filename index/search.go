package index

import (
	"cmp"
	"context"
	"fmt"
	"math"
	"slices"
	"strings"

	"github.com/blevesearch/bleve/v2"
	"github.com/blevesearch/bleve/v2/search/query"
	porterstemmer "github.com/blevesearch/go-porterstemmer"

	"sideport/annotate"
	"sideport/annotate/terms"
)

// Scope is which cases a search reaches. It is part of the query itself, so
// counts and suggestions respect it too. The zero Scope reaches nothing.
type Scope struct {
	All      bool              // curators: every case whose consent is not withdrawn, and pencilled notes
	Audience annotate.Audience // otherwise: published cases whose consent reaches it
}

func (s Scope) value() string {
	if s.All {
		return scopeAll
	}
	return s.Audience.String()
}

// Query is what is asked of the index. With no words it lists the library.
type Query struct {
	Words   string
	Filters map[string][]string // by facet: any of the values
	Scope   Scope
	Offset  int
	Limit   int    // how many hits; 0: counts alone
	Sort    string // id of a [Sorts] row
	Off     []string
}

// Results are a search's answer.
type Results struct {
	Total      int // cases
	Complete   int // of those: how many have every word; the others have most of them
	Hits       []Hit
	Facets     []Facet
	Understood []Reading
}

// Hit is a case that was found.
type Hit struct {
	Case    string
	Score   float64
	Moments []Moment // best first, five at most
}

// Moment is a place in a case that answers the query.
type Moment struct {
	Note      string // id of the note; "" for what is no note, such as a caption
	Kind      string // of the note; or caption, factor, plan, summary, hindsight, outcome
	Recording string
	At        annotate.Time // on the case clock
	Text      []Piece
	Score     float64
}

// Piece is a run of text, in which words were found or not.
type Piece struct {
	Text string
	Hit  bool
}

// Facet counts the cases found by one of their properties.
type Facet struct {
	ID     string       `json:"id"`
	Label  string       `json:"label"`
	Values []FacetValue `json:"values"`
}

// FacetValue is one value of a facet: how many cases remain when it is chosen
// (beside the other facets' choices).
type FacetValue struct {
	ID    string `json:"id"`
	Label string `json:"label"`
	Count int    `json:"count"`
	On    bool   `json:"on"`
}

// Reading is how words of the query were read: "we read loose bag as zonular
// weakness". Ambiguous words have several readings.
type Reading struct {
	Words   string `json:"words"`
	Concept string `json:"concept"`
	Label   string `json:"label"`
	Off     bool   `json:"off"` // switched off by the reader: the words count as they stand
}

// Sort is an order of results.
type Sort struct{ ID, Label string }

// Sorts is the table of orders; the first is the usual one.
func Sorts() []Sort {
	return []Sort{{"", "Best match"}, {"changed", "Last changed"}, {"title", "Title"}}
}

// The first of the results are ordered anew by their best moments; beyond, the
// case's own score is enough.
const reordered = 50

// enough is how many cases with every word make it needless to look for cases
// with most of them.
const enough = 10

// finding is one search on its way.
type finding struct {
	x     *Index
	q     Query
	t     typed
	units []weighed
	read  []Reading
	last  int // how many units the cases that were found have at least
}

// weighed is a unit with the query that finds it and what it is worth: the
// rarer in what may be seen, the more.
type weighed struct {
	unit
	q     query.Query
	worth float64
	fuzzy bool
	root  string // stem of the unit's word
}

// Search finds cases and the best moments in them. It is meant to be called by
// many at once.
func (x *Index) Search(ctx context.Context, q Query) (Results, error) {
	if !slices.ContainsFunc(Sorts(), func(s Sort) bool { return s.ID == q.Sort }) {
		return Results{}, annotate.Faultf(annotate.Invalid, "%q is not an order of results; leave it out, or use changed or title.", q.Sort)
	}
	for id := range q.Filters {
		if _, ok := facetOf(id); !ok {
			return Results{}, annotate.Faultf(annotate.Invalid, "%q is not a filter; the filters are %s.", id, strings.Join(FacetIDs(), ", "))
		}
	}
	q.Limit, q.Offset = max(0, min(q.Limit, 200)), max(0, min(q.Offset, 100_000))
	s := &finding{x: x, q: q, t: parse(q.Words)}
	if err := s.understand(ctx); err != nil {
		return Results{}, err
	}
	found, complete, err := s.cases(ctx)
	if err != nil {
		return Results{}, err
	}
	out := Results{Total: int(found.Total), Complete: complete, Understood: s.read}
	if out.Facets, err = s.facets(ctx, found); err != nil {
		return Results{}, err
	}
	out.Hits, err = s.hits(ctx, found)
	return out, err
}

// run asks the index, and gives errors their place.
func (s *finding) run(ctx context.Context, r *bleve.SearchRequest) (*bleve.SearchResult, error) {
	res, err := s.x.b.SearchInContext(ctx, r)
	if err != nil {
		return nil, fmt.Errorf("search the index: %w", err)
	}
	return res, nil
}

func (s *finding) count(ctx context.Context, q ...query.Query) (int, error) {
	r := bleve.NewSearchRequestOptions(query.NewConjunctionQuery(append(q, termQuery(fType, typeCase), s.scope())), 0, 0, false)
	r.Score = "none"
	res, err := s.run(ctx, r)
	if err != nil {
		return 0, err
	}
	return int(res.Total), nil
}

func (s *finding) scope() query.Query { return termQuery(fScope, s.q.Scope.value()) }

// understand reads the words and weighs each unit by how many cases of the
// scope have it.
func (s *finding) understand(ctx context.Context) error {
	all, err := s.count(ctx)
	if err != nil {
		return err
	}
	known := func(w string) bool {
		n, e := s.count(ctx, s.wordLadder(unit{stem: w}, false))
		err = cmp.Or(err, e)
		return n > 0
	}
	units, read := understand(s.t, s.x.v, known, s.q.Off)
	if err != nil {
		return err
	}
	s.read = read
	for _, u := range units {
		w, n, err := s.weigh(ctx, u)
		if err != nil {
			return err
		}
		w.worth *= math.Max(0.2, math.Log(1+(float64(all-n)+0.5)/(float64(n)+0.5)))
		s.units = append(s.units, w)
	}
	s.exclude()
	return nil
}

// exclude turns "without …" on its own into an exclusion.
func (s *finding) exclude() {
	if len(s.t.phrases) > 0 || slices.ContainsFunc(s.units, func(w weighed) bool { return !w.against }) {
		return
	}
	for _, w := range s.units {
		s.t.without = append(s.t.without, w.words)
	}
	s.units = nil
}

// weigh makes the query of a unit, and counts the cases that have it. Words
// that no case has are looked for with slips allowed.
func (s *finding) weigh(ctx context.Context, u unit) (weighed, int, error) {
	w := weighed{unit: u, worth: 1, root: stem(u.stem)}
	if len(u.concepts) > 0 {
		w.q = s.conceptLadder(u)
		w.worth = 1.3
	} else {
		w.q = s.wordLadder(u, false)
		w.worth = 0.8
	}
	switch {
	case u.against:
		w.worth *= -0.6
	case u.bonus:
		w.worth *= 0.3
	}
	n, err := s.count(ctx, w.q)
	if err == nil && n == 0 && len(u.concepts) == 0 && len(u.stem) >= 5 {
		w.fuzzy = true
		w.q = s.wordLadder(u, true)
		w.worth *= 0.7
		n, err = s.count(ctx, w.q)
	}
	return w, n, err
}

// conceptLadder finds a concept, or any of several, wherever it may be named:
// what a curator chose counts most, what was said in the film least.
func (s *finding) conceptLadder(u unit) query.Query {
	w := &weigher{score: best}
	for i, id := range u.concepts {
		doubt := 1.0
		if i > 0 {
			doubt = 0.9 // the likeliest meaning stands first
		}
		for _, r := range []rung{{fStated, 1}, {fSaid, 0.75}, {fDoubtful, 0.4}, {fSpoken, 0.35}, {fPencil, 0.6}} {
			if r.field != fPencil || s.q.Scope.All {
				w.parts = append(w.parts, part{q: termQuery(r.field, id), worth: r.worth * doubt})
			}
		}
	}
	// One word may also be part of another name: "rhexis" of "rhexis run-out".
	if word := terms.Normalise(u.words); word != "" && !u.partly && !strings.Contains(word, " ") {
		w.parts = append(w.parts, part{q: s.wordLadder(unit{stem: word}, false), worth: 0.4, graded: true})
	}
	return w
}

// rung is a field and what a match in it is worth.
type rung struct {
	field string
	worth float64
}

// wordLadder finds a word in the texts, by its stem; with slips if fuzzy.
func (s *finding) wordLadder(u unit, fuzzy bool) query.Query {
	w := &weigher{score: best}
	root := stem(u.stem)
	for _, r := range []rung{{tStated, 0.9}, {tSaid, 0.7}, {tSpoken, 0.3}, {tPencil, 0.6}} {
		if r.field == tPencil && !s.q.Scope.All {
			continue
		}
		if fuzzy {
			q := query.NewFuzzyQuery(root)
			q.SetField(r.field)
			q.SetFuzziness(slips(root))
			q.SetPrefix(1)
			w.parts = append(w.parts, part{q: q, worth: r.worth * 0.6})
			continue
		}
		w.parts = append(w.parts, part{q: termQuery(r.field, root), worth: r.worth})
		if u.open && len(u.stem) >= 3 {
			q := query.NewPrefixQuery(u.stem)
			q.SetField(r.field)
			w.parts = append(w.parts, part{q: q, worth: r.worth * 0.7})
		}
	}
	return w
}

// slips is how many letters of a word may be wrong.
func slips(word string) int {
	if len(word) >= 9 {
		return 2
	}
	return 1
}

// stem gives the stem of a word that is normalised, as the analyser does.
func stem(word string) string {
	return string(porterstemmer.StemWithoutLowerCasing([]rune(word)))
}

// phrase finds words in their order.
func (s *finding) phrase(words string) query.Query {
	var any []query.Query
	for _, f := range []string{fRaw, fRawP} {
		if f == fRawP && !s.q.Scope.All {
			continue
		}
		q := query.NewMatchPhraseQuery(terms.Normalise(words))
		q.SetField(f)
		any = append(any, q)
	}
	return query.NewDisjunctionQuery(any)
}

// gate is what a case must be to be found at all: in scope, with the quoted
// phrases, without what is excluded, and within the filters but that of one facet.
func (s *finding) gate(but string) query.Query {
	must := []query.Query{termQuery(fType, typeCase), s.scope()}
	for _, p := range s.t.phrases {
		must = append(must, s.phrase(p))
	}
	for id, values := range s.q.Filters {
		if f, ok := facetOf(id); ok && id != but && len(values) > 0 {
			must = append(must, f.filter(values))
		}
	}
	var not []query.Query
	for _, e := range s.t.without {
		not = append(not, s.phrase(e))
		if id, _ := s.x.v.Resolve(e); id != "" {
			for _, f := range []string{fStated, fSaid} {
				not = append(not, termQuery(f, id))
			}
		}
	}
	if len(not) == 0 {
		return query.NewConjunctionQuery(must)
	}
	return query.NewBooleanQuery(must, nil, not)
}

// asked is how many units a case should have.
func (s *finding) asked() int {
	n := 0
	for _, u := range s.units {
		if u.asked() {
			n++
		}
	}
	return n
}

func (u unit) asked() bool { return !u.bonus && !u.against }

// all is the query for units: at least so many of those asked for.
func (s *finding) all(least int) query.Query {
	asked := s.asked()
	w := &weigher{least: least, score: func(found []hit) float64 {
		n := 0
		for _, h := range found {
			if h.part.required {
				n++
			}
		}
		return sum(found) * (0.4 + 0.6*float64(n)/float64(max(asked, 1)))
	}}
	for _, u := range s.units {
		w.parts = append(w.parts, part{q: u.q, worth: u.worth, graded: true, required: u.asked()})
	}
	return w
}

// gated joins a gate, which says nothing of the order, with the units.
func gated(gate, units query.Query) query.Query {
	return &weigher{least: 2, score: sum, parts: []part{{q: gate, required: true}, {q: units, worth: 1, graded: true, required: true}}}
}
