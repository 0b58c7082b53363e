package terms

import (
	"embed"
	"io/fs"
	"slices"
	"strings"

	"sideport/annotate"
)

//go:embed cataract/*.tsv
var data embed.FS

// Concept is an entry of the vocabulary.
type Concept struct {
	ID       string   // "t.horizontal-chop"
	Kind     string   // one of [Kinds]
	Term     string   // preferred, in British spelling: "Horizontal chop"
	Synonyms []string // other names, some of which may be ambiguous
	Broader  string   // id of the wider concept, or ""
	Note     string   // for whoever looks after the vocabulary
}

// Slug is the preferred term in kebab-case, as case files write it: "horizontal-chop".
func (c Concept) Slug() string {
	return strings.Join(strings.FieldsFunc(strings.ToLower(apostrophes.Replace(c.Term)), func(r rune) bool { return !isWord(r) }), "-")
}

// Kinds are the kinds of concepts, in order.
func Kinds() []string {
	return []string{"procedure", "stage", "technique", "factor", "complication", "instrument", "device", "setting", "outcome"}
}

// Vocabulary is the terms of one specialty. It never changes, so any number of
// callers may share it.
type Vocabulary struct {
	concepts []Concept
	called   [][]called          // the names of each concept, preferred first
	at       map[string]int      // by id
	children map[string][]string // direct, by id
	names    map[string]meaning  // by key
	squeezed map[string]meaning  // by key without its spaces, where long enough
	tails    map[string][]string // ids by what follows the first dot
	heard    map[string]meaning  // mis-hearings, by key
	lexicon  map[string]bool     // every word of every name, singular
	longest  int                 // words in the longest name
}

// called is a name in its forms.
type called struct{ name, norm, key string }

// meaning is what one name stands for.
type meaning struct {
	name string   // as the data has it
	ids  []string // more than one, or none: ambiguous
	weak bool     // of one meaning, which is only its likeliest: "zonules" are not always weak
}

// Load reads a specialty's vocabulary, which is part of the program.
func Load(specialty string) (*Vocabulary, error) {
	dir, err := fs.Sub(data, specialty)
	if err == nil {
		_, err = fs.Stat(dir, conceptsFile)
	}
	if err != nil {
		return nil, annotate.Faultf(annotate.Missing, "There is no vocabulary for %q; there is one for cataract.", specialty)
	}
	return read(dir)
}

// Concept finds a concept by its id.
func (v *Vocabulary) Concept(id string) (Concept, bool) {
	i, ok := v.at[id]
	if !ok {
		return Concept{}, false
	}
	return v.concepts[i], true
}

// All gives the concepts in the vocabulary's order.
func (v *Vocabulary) All() []Concept { return slices.Clone(v.concepts) }

// Resolve finds the concept that words name: by id, preferred term, its
// kebab-case, a synonym, or the id without its first letter, whatever the case,
// hyphens, slashes, plural and British or American spelling. Where a word has
// several meanings and exactly one is of the given kinds, it means that one; the
// kind's own word may be left out ("epinucleus" among settings is "epinucleus
// setting"). An empty id with candidates is ambiguous, without them unknown.
func (v *Vocabulary) Resolve(words string, kinds ...string) (id string, candidates []string) {
	if _, ok := v.at[strings.TrimSpace(words)]; ok {
		return strings.TrimSpace(words), nil
	}
	k := key(words)
	ids := v.lookUp(k)
	weak := v.names[k].weak
	within := v.ofKinds(ids, kinds)
	if len(within) == 0 {
		for _, kind := range kinds {
			within = append(within, v.ofKinds(v.lookUp(strings.TrimSpace(k+" "+kind)), []string{kind})...)
		}
	}
	switch {
	case len(within) == 1:
		return within[0], nil
	case len(ids) == 1 && !weak:
		return ids[0], nil
	case len(ids) == 0:
		return "", within
	}
	return "", slices.Clone(ids)
}

// lookUp tries the ways in which words can name something, surest first.
func (v *Vocabulary) lookUp(k string) []string {
	if m, ok := v.names[k]; ok {
		return m.ids
	}
	if m, ok := v.squeezed[strings.ReplaceAll(k, " ", "")]; ok {
		return m.ids
	}
	return v.tails[k]
}

func (v *Vocabulary) ofKinds(ids, kinds []string) []string {
	var out []string
	for _, id := range ids {
		if slices.Contains(kinds, v.concepts[v.at[id]].Kind) {
			out = append(out, id)
		}
	}
	return out
}

// Label says a term to people: the words as written, else the preferred term.
func (v *Vocabulary) Label(t annotate.Term) string {
	if t.Words != "" {
		return t.Words
	}
	if c, ok := v.Concept(t.Concept); ok {
		return c.Term
	}
	return t.Concept
}

// Narrower gives all concepts below id, without id itself, in order.
func (v *Vocabulary) Narrower(id string) []string {
	var out []string
	for _, child := range v.children[id] {
		out = append(append(out, child), v.Narrower(child)...)
	}
	return out
}

// Broader gives the chain of wider concepts, nearest first, without id itself.
func (v *Vocabulary) Broader(id string) []string {
	var out []string
	for c, ok := v.Concept(id); ok && c.Broader != ""; c, ok = v.Concept(c.Broader) {
		out = append(out, c.Broader)
	}
	return out
}
