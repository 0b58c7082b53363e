package index

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"strings"

	"github.com/blevesearch/bleve/v2"

	"sideport/annotate/terms"
)

// Suggest completes what is being typed, at most n ways: names of the
// vocabulary that cases in the scope have, then words that a curator wrote in
// them. Nothing comes from cases outside the scope.
func (x *Index) Suggest(ctx context.Context, prefix string, scope Scope, n int) ([]string, error) {
	if terms.Normalise(prefix) == "" || len(prefix) > maxQuery || n <= 0 {
		return nil, nil
	}
	s := &finding{x: x, q: Query{Scope: scope}}
	counts, err := s.conceptCounts(ctx)
	if err != nil {
		return nil, err
	}
	var out []string
	add := func(head, tail string) {
		if one := strings.TrimSpace(head + tail); len(out) < n && !slices.Contains(out, one) {
			out = append(out, one)
		}
	}
	ws := spans(prefix)
	// The last three words may begin a name, then the last two, then the last.
	for i := max(0, len(ws)-3); i < len(ws); i++ {
		for _, name := range x.names(prefix[ws[i][0]:], counts) {
			add(prefix[:ws[i][0]], name)
		}
	}
	if len(out) < n && len(ws) > 0 {
		last := ws[len(ws)-1][0]
		found, err := s.writtenWords(ctx, terms.Normalise(prefix[last:]), n-len(out))
		if err != nil {
			return nil, err
		}
		for _, w := range found {
			add(prefix[:last], w)
		}
	}
	return out, nil
}

// conceptCounts counts the cases in scope by concept.
func (s *finding) conceptCounts(ctx context.Context) (map[string]int, error) {
	r := bleve.NewSearchRequestOptions(s.gate(""), 0, 0, false)
	for _, f := range []string{fStated, fSaid} {
		r.AddFacet(f, bleve.NewFacetRequest(f, 2000))
	}
	res, err := s.run(ctx, r)
	if err != nil {
		return nil, err
	}
	out := map[string]int{}
	for _, f := range res.Facets {
		for _, t := range f.Terms.Terms() {
			out[t.Term] = max(out[t.Term], t.Count)
		}
	}
	return out, nil
}

// names gives the vocabulary's names that begin with a prefix, of concepts that
// are counted, commonest first. A preferred term stands for its concept unless
// only a synonym begins so.
func (x *Index) names(prefix string, counts map[string]int) []string {
	p := terms.Normalise(prefix)
	if len(p) < 2 {
		return nil
	}
	type counted struct {
		name  string
		count int
	}
	var found []counted
	for _, c := range x.v.Suggest(prefix, nil, 1000) {
		if counts[c.ID] == 0 {
			continue
		}
		for _, name := range append([]string{c.Term}, c.Synonyms...) {
			if strings.HasPrefix(terms.Normalise(name), p) {
				found = append(found, counted{lowered(name), counts[c.ID]})
				break
			}
		}
	}
	slices.SortStableFunc(found, func(a, b counted) int { return cmp.Compare(b.count, a.count) })
	var out []string
	for _, f := range found {
		out = append(out, f.name)
	}
	return out
}

// lowered writes a name as within a sentence: "Horizontal chop" loses its
// capital, "IOL insertion" does not.
func lowered(name string) string {
	if len(name) > 1 && strings.ToLower(name[1:2]) == name[1:2] && name[1] != ' ' {
		return strings.ToLower(name[:1]) + name[1:]
	}
	return name
}

// writtenWords gives words of the cases in scope that begin with a prefix.
func (s *finding) writtenWords(ctx context.Context, prefix string, n int) ([]string, error) {
	if len(prefix) < 3 || strings.Contains(prefix, " ") {
		return nil, nil
	}
	dict, err := s.x.b.FieldDictPrefix(fWords, []byte(prefix))
	if err != nil {
		return nil, fmt.Errorf("read the index's words: %w", err)
	}
	defer dict.Close()
	const looks = 50 // words of the whole library, of which some may be out of scope
	var out []string
	for range looks {
		e, err := dict.Next()
		if err != nil {
			return nil, fmt.Errorf("read the index's words: %w", err)
		}
		if e == nil || len(out) >= n {
			break
		}
		seen, err := s.count(ctx, termQuery(fWords, e.Term))
		if err != nil {
			return nil, err
		}
		if seen > 0 {
			out = append(out, e.Term)
		}
	}
	return out, nil
}
