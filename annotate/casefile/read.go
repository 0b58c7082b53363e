package casefile

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"go.yaml.in/yaml/v3"

	"sideport/annotate"
	"sideport/annotate/terms"
)

// Use says what a file is for.
type Use string

// The uses of files.
const (
	Recording Use = "recording"
	Captions  Use = "captions"
	Still     Use = "still"
)

// File is a file that the case names.
type File struct {
	Path     string // as written: relative to the folder, parted by /
	At       string // where it is named, for problems found with it: "recordings[0].file"
	Use      Use
	Item     int    // index in Case.Recordings or Case.Stills
	Language string // of captions
}

// Doc is a case file that was read.
type Doc struct {
	// Case has recordings "r1", "r2" …, stills "s1" … and notes "n1" … in the
	// order of the file. Films, hashes and captions are for the caller to fill
	// in from Files, as is the case's own id.
	Case     annotate.Case
	Files    []File
	Problems []annotate.Problem // warnings: words that the vocabulary does not know, unusual values

	name   string
	places map[string]place
}

// Parse reads a case file; name is what problems call it. Whatever is wrong is
// one [annotate.Fault] of cause Invalid that lists up to [MaxProblems] of its
// problems, each with line and column.
func Parse(name string, data []byte, v *terms.Vocabulary) (*Doc, error) {
	root, p := parse(name, data)
	if p != nil {
		return nil, refusal(name, []annotate.Problem{*p})
	}
	r := &reader{name: name, v: v, places: map[string]place{}, films: map[string]string{}}
	r.walk(root, "", 0)
	if root.Kind != yaml.MappingNode && len(r.bad) == 0 {
		r.fail(root, "", "%s stands where a case is expected; begin with a line such as title: \"Posterior polar cataract\"", what(root))
	}
	if len(r.bad) > 0 {
		return nil, refusal(name, r.bad)
	}
	d := &Doc{name: name, places: r.places}
	d.Case = r.head(root)
	d.Files = r.files
	r.check(d)
	if len(r.bad) > 0 {
		return nil, refusal(name, r.bad)
	}
	d.Problems = r.warned
	inOrder(d.Problems)
	return d, nil
}

func refusal(name string, ps []annotate.Problem) error {
	inOrder(ps)
	say := fmt.Sprintf("There is a mistake in %s.", name)
	if len(ps) > 1 {
		say = fmt.Sprintf("There are %d mistakes in %s.", len(ps), name)
	}
	if len(ps) > MaxProblems {
		say = fmt.Sprintf("There are %d mistakes in %s; these are the first %d.", len(ps), name, MaxProblems)
		ps = ps[:MaxProblems]
	}
	return &annotate.Fault{Cause: annotate.Invalid, Say: say, Problems: ps}
}

func inOrder(ps []annotate.Problem) {
	slices.SortStableFunc(ps, func(a, b annotate.Problem) int {
		return cmp.Or(cmp.Compare(a.Line, b.Line), cmp.Compare(a.Column, b.Column))
	})
}

// check adds what the rules of a case say, except of entries that could not be
// read in the first place.
func (r *reader) check(d *Doc) {
	spoilt := map[string]bool{}
	for _, p := range r.bad {
		spoilt[entry(p.Path)] = true
	}
	c := d.Case
	c.Notes = slices.Clone(c.Notes)
	for i := range c.Notes {
		if spoilt[fmt.Sprintf("notes[%d]", i)] {
			c.Notes[i].State = annotate.Pencilled // times that could not be read overlap with nothing
		}
	}
	for _, p := range d.Locate(c.Check()) {
		switch {
		case spoilt[entry(p.Path)] || spoilt[strings.Split(p.Path, ".")[0]]:
		case p.Warning:
			r.warned = append(r.warned, p)
		default:
			r.bad = append(r.bad, p)
		}
	}
}

// entry is the entry of a list that a path leads into: "notes[3]" of
// "notes[3].values.vacuum"; elsewhere the path itself.
func entry(path string) string {
	if i := strings.IndexByte(path, ']'); i >= 0 {
		return path[:i+1]
	}
	return path
}

// Locate fills in file, line and column of problems from their paths, such as
// those of [annotate.Case.Check] once the films are known. What a path leads to
// may be missing from the file; then it is the nearest thing around it.
func (d *Doc) Locate(ps []annotate.Problem) []annotate.Problem {
	out := slices.Clone(ps)
	for i := range out {
		path, at := d.find(out[i].Path)
		if end := out[i].Path[strings.LastIndexByte(out[i].Path, '.')+1:]; end == "at" || end == "from" {
			out[i].Path = path // called by the key that was written
		}
		out[i].File, out[i].Line, out[i].Column = d.name, at.line, at.column
	}
	return out
}

// otherKey is what a time may be called instead.
var otherKey = map[string]string{"at": "from", "from": "at"}

// find gives the nearest path that the file has, and where it stands.
func (d *Doc) find(path string) (string, place) {
	if p, ok := d.places[path]; ok {
		return path, p
	}
	i := strings.LastIndexAny(path, ".[")
	if i < 0 {
		return path, d.places[""]
	}
	other := path[:i+1] + otherKey[path[i+1:]]
	if p, ok := d.places[other]; ok {
		return other, p
	}
	_, p := d.find(path[:i])
	return path, p
}
