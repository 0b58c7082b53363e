package caption

import (
	"html"
	"slices"
	"strings"
	"unicode/utf8"

	"sideport/annotate"
)

// Node is a part of a cue's text (W3C WebVTT, section 6.4).
type Node struct {
	Tag      string        // c, i, b, u, ruby, rt, v, lang; "" for text, "timestamp" for a time
	Value    string        // the text; the speaker of v; the language of lang
	Time     annotate.Time // of a timestamp
	Classes  []string
	Children []*Node
}

// ParseText reads a cue's text into its tree, as the specification's cue text
// parsing rules do: every text has one.
func ParseText(text string) []*Node {
	p := parseText(text)
	return p.open[0].Children
}

// PlainText gives a cue's text without its markup: what the specification's
// rules for a chapter title give, so without speakers' names and without the
// small readings beside ruby text.
func PlainText(text string) string {
	p := parseText(text)
	return p.plain.String()
}

type textParser struct {
	open  []*Node // from the root to the node that takes what comes next
	plain strings.Builder
	rt    int // open rt nodes
	v     int // speakers named
}

func parseText(text string) *textParser {
	p := &textParser{open: []*Node{{}}}
	for text != "" {
		if text[0] != '<' {
			end := strings.IndexByte(text, '<')
			if end < 0 {
				end = len(text)
			}
			p.text(unescape(text[:end]))
			text = text[end:]
			continue
		}
		// Whatever the tokenizer's state, a tag ends at '>' or with the text.
		body, rest, _ := strings.Cut(text[1:], ">")
		text = rest
		switch {
		case body == "":
		case body[0] == '/':
			p.end(body[1:])
		case body[0] >= '0' && body[0] <= '9':
			if t, rest, err := timestamp(body); err == nil && rest == "" {
				p.add(&Node{Tag: "timestamp", Time: t})
			}
		default:
			p.start(body)
		}
	}
	return p
}

func (p *textParser) add(n *Node) {
	in := p.open[len(p.open)-1]
	in.Children = append(in.Children, n)
}

func (p *textParser) text(s string) {
	p.add(&Node{Value: s})
	if p.rt == 0 {
		p.plain.WriteString(s)
	}
}

func (p *textParser) start(body string) {
	head, annotation := body, ""
	if i := strings.IndexFunc(body, isSpace); i >= 0 {
		head, annotation = body[:i], body[i:]
	}
	tag, classes, _ := strings.Cut(head, ".")
	n := &Node{Tag: tag}
	switch tag {
	case "c", "i", "b", "u", "ruby":
	case "rt":
		if p.open[len(p.open)-1].Tag != "ruby" {
			return
		}
		p.rt++
	case "v", "lang":
		n.Value = strings.Join(strings.FieldsFunc(unescape(annotation), isSpace), " ")
		if tag == "v" && n.Value != "" {
			p.v++
		}
	default:
		return
	}
	n.Classes = slices.DeleteFunc(strings.Split(classes, "."), func(c string) bool { return c == "" })
	p.add(n)
	p.open = append(p.open, n)
}

// end closes the innermost node of its tag; </ruby> closes an open rt with it.
func (p *textParser) end(tag string) {
	in := p.open[len(p.open)-1].Tag
	if in == "" || tag != in && (tag != "ruby" || in != "rt") {
		return
	}
	if in == "rt" {
		p.rt--
		if tag == "ruby" {
			p.open = p.open[:len(p.open)-1]
		}
	}
	p.open = p.open[:len(p.open)-1]
}

// unescape decodes character references as HTML does. Numeric ones are read
// here: the standard library's decoder takes none at the very end of a text and
// wraps around on large ones.
func unescape(s string) string {
	if !strings.Contains(s, "&") {
		return s
	}
	var b strings.Builder
	for {
		i := strings.Index(s, "&#")
		if i < 0 {
			b.WriteString(html.UnescapeString(s))
			return b.String()
		}
		b.WriteString(html.UnescapeString(s[:i]))
		r, n := numeric(s[i:])
		if n == 0 {
			b.WriteString("&#")
			n = 2
		} else {
			b.WriteRune(r)
		}
		s = s[i+n:]
	}
}

// numeric reads "&#32;", "&#x20" at the front of s and gives how long it is; 0
// where it has no digits.
func numeric(s string) (r rune, n int) {
	base, i := rune(10), 2
	if i < len(s) && (s[i] == 'x' || s[i] == 'X') {
		base, i = 16, 3
	}
	first := i
	for ; i < len(s); i++ {
		d := digit(s[i])
		if d < 0 || d >= base {
			break
		}
		r = min(r*base+d, utf8.MaxRune+1)
	}
	if i == first {
		return 0, 0
	}
	if i < len(s) && s[i] == ';' {
		i++
	}
	switch {
	case r == 0 || !utf8.ValidRune(r):
		r = utf8.RuneError
	case r >= 0x80 && r <= 0x9F: // HTML's table of such references is Windows-1252
		r = windows1252[r-0x80]
	}
	return r, i
}

func digit(c byte) rune {
	switch {
	case c >= '0' && c <= '9':
		return rune(c - '0')
	case c >= 'a' && c <= 'f':
		return rune(c-'a') + 10
	case c >= 'A' && c <= 'F':
		return rune(c-'A') + 10
	}
	return -1
}
