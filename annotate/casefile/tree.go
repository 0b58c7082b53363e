package casefile

import (
	"fmt"
	"slices"
	"strings"

	"go.yaml.in/yaml/v3"

	"sideport/annotate"
	"sideport/annotate/terms"
)

// place is where something stands in the file.
type place struct{ line, column int }

// reader turns the document into a case, noting all that is wrong on the way.
type reader struct {
	name   string
	v      *terms.Vocabulary
	places map[string]place // by path
	bad    []annotate.Problem
	warned []annotate.Problem
	files  []File
	films  map[string]string // id of a recording, by the name of its file
}

func (r *reader) problem(n *yaml.Node, path, say string, args ...any) annotate.Problem {
	return annotate.Problem{File: r.name, Line: n.Line, Column: n.Column, Path: path, Say: fmt.Sprintf(say, args...)}
}

func (r *reader) fail(n *yaml.Node, path, say string, args ...any) {
	r.bad = append(r.bad, r.problem(n, path, say, args...))
}

func (r *reader) warn(n *yaml.Node, path, say string, args ...any) {
	p := r.problem(n, path, say, args...)
	p.Warning = true
	r.warned = append(r.warned, p)
}

// walk notes where everything stands and refuses what a case file has no use
// for: anchors, aliases, tags, merge keys, keys that are not words, deep nesting.
func (r *reader) walk(n *yaml.Node, path string, depth int) {
	r.places[path] = place{n.Line, n.Column}
	switch {
	case n.Kind == yaml.AliasNode:
		r.fail(n, path, "*%s stands for something written elsewhere; write it out here, or put the words into double quotes", n.Value)
		return
	case n.Anchor != "":
		r.fail(n, path, "&%s gives this a name to be used elsewhere; a case file has no such names. Leave it out, or put the words into double quotes.", n.Anchor)
	case n.Style&yaml.TaggedStyle != 0:
		r.fail(n, path, "the tag %s is not used in a case file; leave it out, or put the words into double quotes", n.Tag)
	case depth > maxDepth:
		r.fail(n, path, "this lies %d levels deep; a case file needs no more than %d", depth, maxDepth)
		return
	}
	switch n.Kind {
	case yaml.SequenceNode:
		for i, item := range n.Content {
			r.walk(item, fmt.Sprintf("%s[%d]", path, i), depth+1)
		}
	case yaml.MappingNode:
		r.walkMapping(n, path, depth)
	}
}

func (r *reader) walkMapping(n *yaml.Node, path string, depth int) {
	first := map[string]int{}
	for i := 0; i+1 < len(n.Content); i += 2 {
		key, value := n.Content[i], n.Content[i+1]
		p := under(path, key.Value)
		switch {
		case key.Kind != yaml.ScalarNode || key.Anchor != "" || key.Style&yaml.TaggedStyle != 0:
			r.fail(key, path, "a key is a single word here, as in title")
			return
		case key.Tag == "!!merge":
			r.fail(key, path, "<< takes over another mapping; write out its entries here")
		case first[key.Value] > 0:
			r.fail(key, p, "%q is here twice; it stands on line %d already. Keep one.", key.Value, first[key.Value])
			continue
		}
		first[key.Value] = key.Line
		r.walk(value, p, depth+1)
	}
}

// under is the path of a key. Keys that are no key of ours are cut short.
func under(path, key string) string {
	if len(key) > 40 {
		key = "…"
	}
	if path == "" {
		return key
	}
	return path + "." + key
}

func null(n *yaml.Node) bool { return n == nil || n.Kind == yaml.ScalarNode && n.Tag == "!!null" }

// what names a node's form for a message.
func what(n *yaml.Node) string {
	switch n.Kind {
	case yaml.SequenceNode:
		return "a list"
	case yaml.MappingNode:
		return "a mapping (key: value)"
	}
	return fmt.Sprintf("%q", clip(n.Value))
}

// clip keeps messages short.
func clip(s string) string {
	if rs := []rune(s); len(rs) > 60 {
		return string(rs[:60]) + "…"
	}
	return s
}

// fields gives the entries of a mapping whose keys are all among keys; what is
// null or unknown is left out, the latter as a problem.
func (r *reader) fields(n *yaml.Node, path, thing string, keys ...string) map[string]*yaml.Node {
	out := map[string]*yaml.Node{}
	if null(n) {
		return out
	}
	if n.Kind != yaml.MappingNode {
		r.fail(n, path, "%s stands where %s is expected; write it as {%s: …}", what(n), thing, keys[0])
		return out
	}
	for i := 0; i+1 < len(n.Content); i += 2 {
		key, value := n.Content[i], n.Content[i+1]
		if !slices.Contains(keys, key.Value) {
			r.fail(key, under(path, key.Value), "%q is not a key of %s; %s", clip(key.Value), thing, r.meant(key.Value, keys))
			continue
		}
		if _, twice := out[key.Value]; !twice && !null(value) {
			out[key.Value] = value
		}
	}
	return out
}

var parting = strings.NewReplacer("-", "", "_", "", " ", "")

// meant offers the nearest of what would be right, or all of it; nothing once
// there are many more mistakes than are listed.
func (r *reader) meant(got string, right []string) string {
	if len(r.bad) > 4*MaxProblems {
		return "leave it out"
	}
	plain := func(s string) string { return parting.Replace(strings.ToLower(s)) }
	best, least := "", 3
	for _, s := range right {
		if d := distance(plain(clip(got)), plain(s)); d < least && d < len(s)-1 {
			best, least = s, d
		}
	}
	if best != "" {
		return fmt.Sprintf("did you mean %q?", best)
	}
	return "it is one of " + strings.Join(right, ", ")
}

// distance counts the letters to put in, leave out or change between a and b.
func distance(a, b string) int {
	x, y := []rune(a), []rune(b)
	row := make([]int, len(y)+1)
	for j := range row {
		row[j] = j
	}
	for i := range x {
		diagonal := row[0]
		row[0] = i + 1
		for j := range y {
			d := diagonal
			if x[i] != y[j] {
				d = 1 + min(diagonal, row[j], row[j+1])
			}
			diagonal, row[j+1] = row[j+1], d
		}
	}
	return row[len(y)]
}

// items gives the entries of a list.
func (r *reader) items(n *yaml.Node, path string, most int) []*yaml.Node {
	switch {
	case null(n):
		return nil
	case n.Kind != yaml.SequenceNode:
		r.fail(n, path, "%s stands where a list is expected; begin each entry with a dash on a line of its own", what(n))
		return nil
	case len(n.Content) > most:
		r.fail(n, path, "%d entries are more than the %d that a case may have", len(n.Content), most)
		return nil
	}
	return n.Content
}

// text gives words as they are written, whatever YAML would make of them: 6/9,
// 2026-03-01 and yes are words here.
func (r *reader) text(n *yaml.Node, path string) string {
	if null(n) {
		return ""
	}
	if n.Kind != yaml.ScalarNode {
		r.fail(n, path, "%s stands where words are expected; words with : or brackets need double quotes", what(n))
		return ""
	}
	return tidy(n.Value)
}

var lineEnds = strings.NewReplacer("\r\n", "\n", "\r", "\n")

// tidy is the one form of a text: lines end in \n, no space around it.
func tidy(s string) string { return strings.TrimSpace(lineEnds.Replace(s)) }

// choice gives one of a few words, which may be written in capitals.
func (r *reader) choice(n *yaml.Node, path string) string { return strings.ToLower(r.text(n, path)) }

func (r *reader) flag(n *yaml.Node, path string) bool {
	switch r.choice(n, path) {
	case "true":
		return true
	case "false", "":
		return false
	}
	if n.Kind == yaml.ScalarNode {
		r.fail(n, path, "%s is neither true nor false", what(n))
	}
	return false
}

// time reads a time or an offset, which may be before zero.
func (r *reader) time(n *yaml.Node, path string) annotate.Time {
	s := r.text(n, path)
	if s == "" {
		return 0
	}
	rest, before := strings.CutPrefix(s, "-")
	t, err := annotate.ParseTime(rest)
	switch {
	case err != nil:
		r.fail(n, path, "%v", err)
		return 0
	case before:
		return -t
	}
	return t
}
