package index

import (
	"cmp"
	"slices"
	"strings"

	"github.com/blevesearch/bleve/v2"
	"github.com/blevesearch/bleve/v2/search"
	"github.com/blevesearch/bleve/v2/search/query"

	"sideport/annotate"
	"sideport/annotate/terms"
)

// facet is a row of the table of facets: what a search can be narrowed by.
type facet struct {
	id, label string
	curators  bool // offered to [Scope.All] alone
	values    func(c *annotate.Case) []string
}

// A new facet is one row here.
var facets = [...]facet{
	{id: "procedure", label: "Procedure", values: func(c *annotate.Case) []string { return valuesOf(c.Procedure) }},
	{id: "factor", label: "Difficulty factor", values: func(c *annotate.Case) []string {
		out := noteTerms(c, "factor")
		for _, f := range c.Factors {
			out = append(out, valuesOf(f.Term)...)
		}
		return out
	}},
	{id: "technique", label: "Technique", values: func(c *annotate.Case) []string { return noteTerms(c, "technique") }},
	{id: "stage", label: "Stage", values: func(c *annotate.Case) []string { return noteTerms(c, "stage") }},
	{id: "complication", label: "Complication", values: func(c *annotate.Case) []string { return noteTerms(c, "complication") }},
	{id: "surgeon", label: "Surgeon’s level", values: func(c *annotate.Case) []string { return []string{c.Surgeon} }},
	{id: "eye", label: "Eye", values: func(c *annotate.Case) []string { return []string{c.Eye} }},
	{id: "audience", label: "Consent reaches", values: func(c *annotate.Case) []string { return []string{c.Consent.Audience.String()} }},
	{id: "status", label: "Status", curators: true, values: func(c *annotate.Case) []string { return []string{string(c.Status)} }},
}

// FacetIDs gives the facets' ids in the order in which they are shown.
func FacetIDs() []string {
	var out []string
	for _, f := range facets {
		out = append(out, f.id)
	}
	return out
}

func facetOf(id string) (facet, bool) {
	i := slices.IndexFunc(facets[:], func(f facet) bool { return f.id == id })
	if i < 0 {
		return facet{}, false
	}
	return facets[i], true
}

// field holds a case's values with what is broader, directField those alone
// that the case itself names.
func (f facet) field() string       { return "f_" + f.id }
func (f facet) directField() string { return "d_" + f.id }

func valuesOf(t annotate.Term) []string {
	if t.Concept != "" {
		return []string{t.Concept}
	}
	return []string{strings.ToLower(strings.TrimSpace(t.Words))}
}

// noteTerms gives the terms of the inked notes of a kind.
func noteTerms(c *annotate.Case, kind string) []string {
	var out []string
	for _, n := range c.OfKind(kind) {
		if n.State != annotate.Pencilled {
			out = append(out, valuesOf(n.Term)...)
		}
	}
	return out
}

// filter is the query for a facet's chosen values: any of them.
func (f facet) filter(values []string) query.Query {
	var any []query.Query
	for _, v := range values {
		any = append(any, termQuery(f.field(), v))
	}
	return query.NewDisjunctionQuery(any)
}

func termQuery(field, value string) query.Query {
	q := query.NewTermQuery(value)
	q.SetField(field)
	return q
}

// manyValues is how many values of a facet are counted.
const manyValues = 500

// ask adds the counts of f to a request.
func (f facet) ask(r *bleve.SearchRequest) {
	r.AddFacet(f.field(), bleve.NewFacetRequest(f.field(), manyValues))
	r.AddFacet(f.directField(), bleve.NewFacetRequest(f.directField(), manyValues))
}

// read makes a facet of what was counted: the values that some case names
// itself, and those that are chosen, each counted with what is narrower.
func (f facet) read(found search.FacetResults, chosen []string, v *terms.Vocabulary) Facet {
	counts := map[string]int{}
	if r := found[f.field()]; r != nil && r.Terms != nil {
		for _, t := range r.Terms.Terms() {
			counts[t.Term] = t.Count
		}
	}
	shown := slices.Clone(chosen)
	if r := found[f.directField()]; r != nil && r.Terms != nil {
		for _, t := range r.Terms.Terms() {
			shown = append(shown, t.Term)
		}
	}
	slices.Sort(shown)
	out := Facet{ID: f.id, Label: f.label, Values: []FacetValue{}}
	for _, id := range slices.Compact(shown) {
		label := id
		if c, ok := v.Concept(id); ok {
			label = c.Term
		}
		out.Values = append(out.Values, FacetValue{ID: id, Label: label, Count: counts[id], On: slices.Contains(chosen, id)})
	}
	slices.SortStableFunc(out.Values, func(a, b FacetValue) int {
		return cmp.Or(b.Count-a.Count, strings.Compare(a.Label, b.Label))
	})
	return out
}
