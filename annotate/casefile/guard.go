package casefile

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"strconv"
	"strings"
	"unicode/utf8"

	"go.yaml.in/yaml/v3"

	"sideport/annotate"
)

// Limits of a case file.
const (
	MaxSize     = 2 << 20 // bytes
	MaxProblems = 50      // that one refusal lists
	maxDepth    = 12      // of lists and mappings inside one another
	maxGuess    = 200     // of brackets, indents and dashes before the parser is let near
	maxNodes    = 200_000 // words, lists and mappings, guessed from what parts them
	maxSearch   = 1 << 18 // bytes of a file that is read again to find the line of a mistake
)

// guard refuses what the parser should not be given at all. It guesses: nesting
// is counted exactly once the file is parsed, but that must be safe to do.
func guard(name string, data []byte) *annotate.Problem {
	if len(data) > MaxSize {
		return &annotate.Problem{File: name, Say: "the file is too large; a case file has 2 MB at most. Films and stills belong beside it, not in it."}
	}
	g := guess{name: name}
	for i, line := range bytes.Split(data, []byte("\n")) {
		if p := g.line(i+1, line); p != nil {
			return p
		}
	}
	return nil
}

// guess counts open brackets and entries over the lines of a file.
type guess struct {
	name          string
	open, entries int
}

func (g *guess) line(number int, line []byte) *annotate.Problem {
	at := func(offset int, say string, args ...any) *annotate.Problem {
		return &annotate.Problem{File: g.name, Line: number, Column: column(line, offset), Say: fmt.Sprintf(say, args...)}
	}
	for j, r := range string(line) {
		switch {
		case r == utf8.RuneError && !bytes.HasPrefix(line[j:], []byte("\uFFFD")):
			return at(j, "the byte 0x%02X is not UTF-8 text; save the file as UTF-8", line[j])
		case unfit(r):
			return at(j, "there is a control character (U+%04X); remove it", r)
		case r == '[' || r == '{':
			g.open++
			g.entries++
		case (r == ']' || r == '}') && g.open > 0:
			g.open--
		case r == ',' || r == ':':
			g.entries++
		}
		if g.open > maxGuess {
			return at(j, "%d brackets are open inside one another; a case file needs no more than %d levels", g.open, maxDepth)
		}
	}
	if lead := len(line) - len(bytes.TrimLeft(line, " -?\t")); lead > maxGuess && lead < len(line) {
		return at(0, "the line is indented by %d places; a case file needs no more than %d levels", lead, maxDepth)
	}
	if g.entries++; g.entries > maxNodes {
		return at(0, "there are more than %d entries up to here; a case has %d notes at most", maxNodes, annotate.MaxNotes)
	}
	return nil
}

// unfit are the characters that YAML does not allow (YAML 1.2, 5.1).
func unfit(r rune) bool {
	return r < ' ' && r != '\t' && r != '\r' || r >= 0x7F && r < 0xA0 && r != 0x85 || r == 0xFFFE || r == 0xFFFF
}

func column(line []byte, offset int) int { return utf8.RuneCount(line[:offset]) + 1 }

// parse gives the file's one document.
func parse(name string, data []byte) (*yaml.Node, *annotate.Problem) {
	if p := guard(name, data); p != nil {
		return nil, p
	}
	var doc, more yaml.Node
	dec := yaml.NewDecoder(bytes.NewReader(data))
	switch err := dec.Decode(&doc); {
	case errors.Is(err, io.EOF):
		return nil, &annotate.Problem{File: name, Line: 1, Column: 1, Say: "the file is empty; a case needs at least a title, as in title: \"Posterior polar cataract\""}
	case err != nil:
		return nil, plainly(name, data, err)
	}
	switch err := dec.Decode(&more); {
	case err == nil:
		return nil, &annotate.Problem{File: name, Line: max(more.Line, 1), Column: max(more.Column, 1),
			Say: "a second document begins here, after a line of ---; a case file holds one case. Put the other into a folder of its own."}
	case !errors.Is(err, io.EOF):
		return nil, plainly(name, data, err)
	}
	return doc.Content[0], nil
}

// inWords says what a person did that the parser complains of. The parser's
// own words follow for whoever knows them.
var inWords = []struct{ theirs, ours string }{
	{"mapping values are not allowed", "a colon followed by a space stands inside plain words, or a line is indented too far; put the words into double quotes"},
	{"could not find expected ':'", "a key has no colon after it, or a text goes on where a key is expected; write key: words, and put long words into double quotes"},
	{"tab character", "a tab is used to indent; use spaces"},
	{"cannot start any token", "a word begins with a character that means something else here, such as @, `, % or a tab; put the words into double quotes and indent with spaces"},
	{"did not find expected ',' or '}'", "a { is not closed, or a comma is missing between its entries; words with commas or brackets need double quotes"},
	{"did not find expected ',' or ']'", "a [ is not closed, or a comma is missing between its entries; words with commas or brackets need double quotes"},
	{"did not find expected key", "a line is indented unlike the lines beside it, or words are left over after a closing quote"},
	{"did not find expected '-'", "a line of a list does not begin with a dash, or is indented unlike the lines beside it"},
	{"did not find expected node content", "a bracket is not closed, or a comma stands where words are expected"},
	{"unexpected end of stream", "a quote is opened and never closed"},
	{"unknown escape", `a backslash in double quotes is followed by a letter that means nothing; write \\ for a backslash`},
	{"block sequence entries are not allowed", "a list begins on the line of its key; begin it on the next line"},
	{"unknown anchor", "a name with * is used; write out what it stands for, or put the words into double quotes"},
	{"exceeded max depth", "lists or mappings lie too deep inside one another"},
}

// plainly turns the parser's error into a problem with its line.
func plainly(name string, data []byte, err error) *annotate.Problem {
	text := strings.TrimPrefix(err.Error(), "yaml: ")
	line := 1
	if rest, ok := strings.CutPrefix(text, "line "); ok {
		number, what, _ := strings.Cut(rest, ": ")
		if n, aerr := strconv.Atoi(number); aerr == nil {
			line, text = n, what
		}
	}
	if strings.HasPrefix(text, "did not find expected") && len(data) <= maxSearch {
		line = noticed(data, err)
	}
	say := "this is not YAML"
	for _, w := range inWords {
		if strings.Contains(text, w.theirs) {
			say = w.ours
			break
		}
	}
	p := &annotate.Problem{File: name, Line: line, Column: 1, Say: say + " (the parser says: " + text + ")"}
	if lines := bytes.Split(data, []byte("\n")); line <= len(lines) {
		l := lines[line-1]
		p.Column = len(l) - len(bytes.TrimLeft(l, " \t")) + 1
	}
	return p
}

// noticed is the first line whose reading brings the error about: the parser
// itself only says where the list or mapping around the mistake begins.
func noticed(data []byte, err error) int {
	ends := []int{}
	for i, b := range data {
		if b == '\n' {
			ends = append(ends, i+1)
		}
	}
	low, high := 1, len(ends)+1
	for low < high {
		mid := (low + high) / 2
		var n yaml.Node
		if e := yaml.Unmarshal(data[:ends[mid-1]], &n); e != nil && e.Error() == err.Error() {
			high = mid
		} else {
			low = mid + 1
		}
	}
	return low
}
