package casefile

import (
	"fmt"
	"slices"
	"strings"

	"go.yaml.in/yaml/v3"

	"sideport/annotate"
	"sideport/annotate/terms"
)

// term makes a term of words: the concept that they name, and the words where
// they are a person's own and not the concept's name, id or kebab-case.
func term(v *terms.Vocabulary, words string, kinds []string) (t annotate.Term, candidates []string) {
	if len([]rune(words)) > annotate.MaxTitle {
		return annotate.Term{Words: words}, nil // no concept is called that; the case's check says it is too long
	}
	id, candidates := v.Resolve(words, kinds...)
	if id == "" {
		return annotate.Term{Words: words}, candidates
	}
	c, _ := v.Concept(id)
	_, tail, _ := strings.Cut(id, ".")
	own := func(name string) bool { return strings.EqualFold(words, name) }
	t.Concept = id
	if !slices.ContainsFunc([]string{id, tail, c.Slug(), c.Term}, own) {
		t.Words = words
	}
	return t, nil
}

// named reads a concept, and what was said where the file keeps that apart.
func (r *reader) named(concept, said *yaml.Node, path string, kinds []string) annotate.Term {
	words, own := r.text(concept, path), r.text(said, path)
	t := annotate.Term{Words: own}
	if words == "" {
		return t
	}
	t, candidates := term(r.v, words, kinds)
	switch {
	case len(candidates) > 0:
		r.fail(concept, path, "%q can mean %s; name the one that is meant", clip(words), r.each(candidates))
		return annotate.Term{}
	case t.Unknown():
		r.warn(concept, path, "the vocabulary does not know %q; it is kept as words%s", clip(words), r.nearest(words))
	default:
		r.kind(concept, path, t, kinds)
	}
	if own != "" {
		t.Words = own
	}
	return t
}

// kind warns of a concept of another kind than the note's.
func (r *reader) kind(n *yaml.Node, path string, t annotate.Term, kinds []string) {
	c, _ := r.v.Concept(t.Concept)
	if len(kinds) > 0 && !slices.Contains(kinds, c.Kind) {
		r.warn(n, path, "%q is known as %s, while %s is expected here; is it meant?", c.Term, c.Kind, strings.Join(kinds, " or "))
	}
}

func (r *reader) each(ids []string) string {
	var names []string
	for _, id := range ids {
		c, _ := r.v.Concept(id)
		names = append(names, fmt.Sprintf("%s (%s)", c.Term, id))
	}
	return strings.Join(names, " or ")
}

// nearest looks for slips of the pen, in the first problems only: it compares
// with every name that there is.
func (r *reader) nearest(words string) string {
	if len(r.warned) >= MaxProblems {
		return ""
	}
	if near := r.v.Nearest(words); near != "" {
		return fmt.Sprintf("; did you mean %q?", near)
	}
	return ""
}

// termOf reads a term that stands alone: words, or {concept: …, said: …}.
func (r *reader) termOf(n *yaml.Node, path string, kinds []string) annotate.Term {
	if null(n) || n.Kind == yaml.ScalarNode {
		return r.named(n, nil, path, kinds)
	}
	m := r.fields(n, path, "a term", "concept", "said")
	return r.named(m["concept"], m["said"], path, kinds)
}

// written is the other way round: what to put after concept and after said so
// that reading them gives t again.
func written(v *terms.Vocabulary, t annotate.Term, kinds []string) (concept, said string) {
	words := tidy(t.Words)
	if words != "" {
		if got, candidates := term(v, words, kinds); len(candidates) == 0 && got == (annotate.Term{Concept: t.Concept, Words: words}) {
			return words, ""
		}
	}
	if t.Concept == "" {
		return "", words
	}
	if c, ok := v.Concept(t.Concept); ok {
		if got, _ := term(v, c.Slug(), kinds); got == (annotate.Term{Concept: t.Concept}) {
			return c.Slug(), words
		}
	}
	return t.Concept, words
}

var spaced = strings.NewReplacer("_", " ", "-", " ")

// parameter finds a parameter by its id, the name it has in files, its label or
// what the vocabulary calls it.
func parameter(v *terms.Vocabulary, key string) (annotate.Parameter, bool) {
	if p, ok := annotate.ParameterOf(key); ok {
		return p, true
	}
	words := spaced.Replace(strings.ToLower(strings.TrimSpace(key)))
	for _, p := range annotate.Parameters() {
		if words == spaced.Replace(parameterKey(p.ID)) || words == strings.ToLower(p.Label) {
			return p, true
		}
	}
	if len(words) > annotate.MaxTitle {
		return annotate.Parameter{}, false
	}
	id, candidates := v.Resolve(words, "setting")
	if id == "" {
		candidates = slices.DeleteFunc(candidates, func(c string) bool { _, ok := annotate.ParameterOf(c); return !ok })
		if len(candidates) == 1 {
			id = candidates[0]
		}
	}
	return annotate.ParameterOf(id)
}

// parameterKey is a parameter's name in the file: "bottle_height".
func parameterKey(id string) string {
	return strings.ReplaceAll(strings.TrimPrefix(id, "p."), "-", "_")
}
