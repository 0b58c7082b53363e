package terms

import (
	"bufio"
	"bytes"
	"fmt"
	"io/fs"
	"regexp"
	"slices"
	"strings"
)

// The files of a vocabulary.
const (
	conceptsFile    = "concepts.tsv"
	ambiguousFile   = "ambiguous.tsv"
	mishearingsFile = "mishearings.tsv"
)

// minSqueezed is how long a name must be, spaces aside, to be known without
// regard to its spaces: "hydro dissection" is safe, "i a" is not "IA".
const minSqueezed = 6

// row is one line of a table.
type row struct {
	file  string
	line  int
	cells []string
}

func (r row) errorf(format string, args ...any) error {
	return fmt.Errorf("%s:%d: %s", r.file, r.line, fmt.Sprintf(format, args...))
}

// table reads a file of tab-separated rows of at most width cells; short rows
// are filled up. The first line names the columns.
func table(dir fs.FS, file string, width int) ([]row, error) {
	b, err := fs.ReadFile(dir, file)
	if err != nil {
		return nil, fmt.Errorf("read vocabulary: %w", err)
	}
	var out []row
	lines := bufio.NewScanner(bytes.NewReader(b))
	lines.Buffer(nil, 1<<20)
	for n := 1; lines.Scan(); n++ {
		text := strings.TrimRight(lines.Text(), "\r")
		if n == 1 || text == "" || strings.HasPrefix(text, "#") {
			continue
		}
		r := row{file, n, strings.Split(text, "\t")}
		if len(r.cells) > width {
			return nil, r.errorf("%d columns; there are %d in this file", len(r.cells), width)
		}
		for len(r.cells) < width {
			r.cells = append(r.cells, "")
		}
		for i := range r.cells {
			r.cells[i] = strings.TrimSpace(r.cells[i])
		}
		out = append(out, r)
	}
	if err := lines.Err(); err != nil {
		return nil, fmt.Errorf("read %s: %w", file, err)
	}
	return out, nil
}

// list cuts "a;b; c".
func list(cell string) []string {
	var out []string
	for s := range strings.SplitSeq(cell, ";") {
		if s = strings.TrimSpace(s); s != "" {
			out = append(out, s)
		}
	}
	return out
}

// read builds a vocabulary and holds it against its rules.
func read(dir fs.FS) (*Vocabulary, error) {
	v := &Vocabulary{at: map[string]int{}, children: map[string][]string{}, names: map[string]meaning{},
		squeezed: map[string]meaning{}, tails: map[string][]string{}, heard: map[string]meaning{}, lexicon: map[string]bool{}}
	concepts, err := table(dir, conceptsFile, 6)
	if err != nil {
		return nil, err
	}
	ambiguous, err := table(dir, ambiguousFile, 3)
	if err != nil {
		return nil, err
	}
	mishearings, err := table(dir, mishearingsFile, 2)
	if err != nil {
		return nil, err
	}
	if err := v.addConcepts(concepts); err != nil {
		return nil, err
	}
	if err := v.addAmbiguous(ambiguous); err != nil {
		return nil, err
	}
	if err := v.addNames(concepts); err != nil {
		return nil, err
	}
	v.squeeze()
	return v, v.addHeard(mishearings)
}

var idForm = regexp.MustCompile(`^[a-z]+\.[a-z0-9]+(-[a-z0-9]+)*$`)

func (v *Vocabulary) addConcepts(rows []row) error {
	for _, r := range rows {
		c := Concept{ID: r.cells[0], Kind: r.cells[1], Term: r.cells[2], Synonyms: list(r.cells[3]), Broader: r.cells[4], Note: r.cells[5]}
		switch _, twice := v.at[c.ID]; {
		case !idForm.MatchString(c.ID):
			return r.errorf("%q is not an id; it looks like t.horizontal-chop", c.ID)
		case twice:
			return r.errorf("%s is there twice", c.ID)
		case !slices.Contains(Kinds(), c.Kind):
			return r.errorf("%q is not a kind; the kinds are %s", c.Kind, strings.Join(Kinds(), ", "))
		case key(c.Term) == "":
			return r.errorf("%s has no preferred term", c.ID)
		}
		v.at[c.ID] = len(v.concepts)
		v.called = append(v.called, callings(c))
		v.concepts = append(v.concepts, c)
		_, tail, _ := strings.Cut(c.ID, ".")
		v.tails[key(tail)] = append(v.tails[key(tail)], c.ID)
	}
	for i, c := range v.concepts {
		if c.Broader == "" {
			continue
		}
		if _, ok := v.at[c.Broader]; !ok {
			return rows[i].errorf("the broader concept %s of %s does not exist", c.Broader, c.ID)
		}
		v.children[c.Broader] = append(v.children[c.Broader], c.ID)
	}
	for i, c := range v.concepts {
		seen := map[string]bool{}
		for id := c.ID; id != ""; id = v.concepts[v.at[id]].Broader {
			if seen[id] {
				return rows[i].errorf("%s is broader than itself", id)
			}
			seen[id] = true
		}
	}
	return nil
}

func callings(c Concept) []called {
	var out []called
	for _, name := range append([]string{c.Term}, c.Synonyms...) {
		out = append(out, called{name, Normalise(name), key(name)})
	}
	return out
}

func (v *Vocabulary) addAmbiguous(rows []row) error {
	for _, r := range rows {
		k := key(r.cells[0])
		if k == "" {
			return r.errorf("a word is missing")
		}
		if _, twice := v.names[k]; twice {
			return r.errorf("%q is there twice", r.cells[0])
		}
		ids := list(r.cells[1])
		for _, id := range ids {
			if _, ok := v.at[id]; !ok {
				return r.errorf("the candidate %s of %q does not exist", id, r.cells[0])
			}
		}
		v.names[k] = meaning{r.cells[0], ids, len(ids) == 1}
		v.longest = max(v.longest, strings.Count(k, " ")+1)
	}
	return nil
}

var bracketed = regexp.MustCompile(`\s*\([^)]*\)`)

// addNames adds every preferred term and synonym, and preferred terms without
// what stands in brackets. A name listed as ambiguous keeps all its candidates.
func (v *Vocabulary) addNames(rows []row) error {
	listed := map[string]bool{}
	for k := range v.names {
		listed[k] = true
	}
	for i, c := range v.concepts {
		for _, name := range append([]string{c.Term, bracketed.ReplaceAllString(c.Term, "")}, c.Synonyms...) {
			k := key(name)
			if k == "" {
				return rows[i].errorf("%q of %s says nothing", name, c.ID)
			}
			m, known := v.names[k]
			switch {
			case !known:
				v.names[k] = meaning{name, []string{c.ID}, false}
				v.longest = max(v.longest, strings.Count(k, " ")+1)
			case slices.Contains(m.ids, c.ID):
				m.weak = false
				v.names[k] = m
			case listed[k]:
				return rows[i].errorf("%q is listed as ambiguous, but %s is not among its candidates", name, c.ID)
			default:
				return rows[i].errorf("%q names both %s and %s; list it in %s", name, m.ids[0], c.ID, ambiguousFile)
			}
		}
	}
	return nil
}

// squeeze adds the words of the names, and the names without their spaces; names that then fall together
// are left out unless they mean the same.
func (v *Vocabulary) squeeze() {
	for k := range v.names {
		for w := range strings.SplitSeq(k, " ") {
			v.lexicon[w] = true
		}
	}
	clash := map[string]bool{}
	for k, m := range v.names {
		s := strings.ReplaceAll(k, " ", "")
		if old, ok := v.squeezed[s]; ok && !slices.Equal(old.ids, m.ids) {
			clash[s] = true
		} else if len(s) >= minSqueezed && (!ok || m.name < old.name) {
			v.squeezed[s] = m
		}
	}
	for s := range clash {
		delete(v.squeezed, s)
	}
}

func (v *Vocabulary) addHeard(rows []row) error {
	for _, r := range rows {
		id := r.cells[0]
		if _, ok := v.at[id]; !ok {
			return r.errorf("there is no concept %s", id)
		}
		for _, name := range list(r.cells[1]) {
			k := key(name)
			if k == "" {
				return r.errorf("%q says nothing", name)
			}
			if m, ok := v.heard[k]; ok && !slices.Contains(m.ids, id) {
				return r.errorf("%q is heard for both %s and %s", name, m.ids[0], id)
			}
			v.heard[k] = meaning{name, []string{id}, false}
			v.longest = max(v.longest, strings.Count(k, " ")+1)
		}
	}
	return nil
}
