package casefile

import (
	"fmt"
	"regexp"
	"slices"
	"strings"
	"unicode"
)

// What the file is made of. The YAML is written by hand: it is a small part of
// the language, and the bytes must not change with a library's taste.
type (
	value  any      // words, raw, object or list
	words  string   // text, to be quoted where needed
	raw    string   // as it stands
	object []pair   //
	list   []value  //
	pair   struct { // key and value
		key string
		val value
	}
)

// width is the longest line that short mappings are put on.
const width = 110

// add appends an entry unless it is empty.
func (o object) add(key string, v value) object {
	switch v := v.(type) {
	case words:
		if tidy(string(v)) == "" {
			return o
		}
	case object:
		if len(v) == 0 {
			return o
		}
	case list:
		if len(v) == 0 {
			return o
		}
	}
	return append(o, pair{key, v})
}

func (o object) text(key, s string) object { return o.add(key, words(s)) }

// lines writes the whole file.
func (o object) lines() string {
	var b strings.Builder
	for _, p := range o {
		writeEntry(&b, p, "")
	}
	return b.String()
}

// writePair writes "key: value" and what hangs below it; writeEntry on a line
// of its own.
func writePair(b *strings.Builder, p pair, indent string) {
	if s, ok := flow(p.val); ok && len(indent)+len(p.key)+2+len([]rune(s)) <= width && !listOfObjects(p.val) {
		fmt.Fprintf(b, "%s: %s\n", p.key, s)
		return
	}
	switch v := p.val.(type) {
	case words:
		text := tidy(string(v))
		if !literal(text) {
			fmt.Fprintf(b, "%s: %s\n", p.key, scalar(text))
			return
		}
		fmt.Fprintf(b, "%s: |-\n", p.key)
		for _, line := range strings.Split(text, "\n") {
			if line != "" {
				line = indent + "  " + line
			}
			b.WriteString(line + "\n")
		}
	case object:
		fmt.Fprintf(b, "%s:\n", p.key)
		for _, q := range v {
			writeEntry(b, q, indent+"  ")
		}
	case list:
		fmt.Fprintf(b, "%s:\n", p.key)
		for _, item := range v {
			writeItem(b, item, indent+"  ")
		}
	}
}

func writeEntry(b *strings.Builder, p pair, indent string) {
	b.WriteString(indent)
	writePair(b, p, indent)
}

func writeItem(b *strings.Builder, v value, indent string) {
	o, isObject := v.(object)
	if s, ok := flow(v); !isObject || ok && len(indent)+2+len([]rune(s)) <= width {
		fmt.Fprintf(b, "%s- %s\n", indent, s)
		return
	}
	for i, p := range o {
		if i == 0 {
			b.WriteString(indent + "- ")
			writePair(b, p, indent+"  ")
			continue
		}
		writeEntry(b, p, indent+"  ")
	}
}

func listOfObjects(v value) bool {
	l, ok := v.(list)
	return ok && slices.ContainsFunc(l, func(v value) bool { _, ok := v.(object); return ok })
}

// flow writes a value on one line; false where text has several.
func flow(v value) (string, bool) {
	switch v := v.(type) {
	case words:
		text := tidy(string(v))
		return scalar(text), !literal(text)
	case raw:
		return string(v), true
	case object:
		parts, ok := make([]string, len(v)), true
		for i, p := range v {
			s, one := flow(p.val)
			parts[i], ok = p.key+": "+s, ok && one
		}
		return "{" + strings.Join(parts, ", ") + "}", ok
	case list:
		parts, ok := make([]string, len(v)), true
		for i, item := range v {
			s, one := flow(item)
			parts[i], ok = s, ok && one
		}
		return "[" + strings.Join(parts, ", ") + "]", ok
	}
	return "", false
}

// literal says whether text reads best as a block of lines, and can.
func literal(s string) bool {
	lines := strings.Split(s, "\n")
	return len(lines) > 1 && !slices.ContainsFunc(lines, func(l string) bool {
		return strings.TrimSpace(l) != l || strings.ContainsFunc(l, escaped)
	})
}

// The plain words that need no quotes anywhere: they begin with a letter or
// are a figure with its unit, an acuity, an age band or a day.
var (
	plainWords   = regexp.MustCompile(`^\p{L}[\p{L}\p{M}\p{N} ._/+()%°-]*$`)
	plainFigures = regexp.MustCompile(`^\d[\d.]*( [A-Za-z%/0-9]+|/\d[\d.]*|-\d\d|-\d\d-\d\d|\+)$`)
	reserved     = []string{"true", "false", "yes", "no", "on", "off", "y", "n", "null"}
)

// scalar writes text as it is where that cannot be misread, else in quotes.
func scalar(s string) string {
	if (plainWords.MatchString(s) || plainFigures.MatchString(s)) && !strings.HasSuffix(s, " ") &&
		!slices.Contains(reserved, strings.ToLower(s)) && !strings.ContainsFunc(s, escaped) {
		return s
	}
	var b strings.Builder
	b.WriteByte('"')
	for _, r := range s {
		switch {
		case r == '"' || r == '\\':
			b.WriteString(`\` + string(r))
		case r == '\n':
			b.WriteString(`\n`)
		case r == '\t':
			b.WriteString(`\t`)
		case !escaped(r):
			b.WriteRune(r)
		case r < 0x100:
			fmt.Fprintf(&b, `\x%02X`, r)
		case r < 0x10000:
			fmt.Fprintf(&b, `\u%04X`, r)
		default:
			fmt.Fprintf(&b, `\U%08X`, r)
		}
	}
	b.WriteByte('"')
	return b.String()
}

// escaped are the characters that do not show, except those that some scripts
// cannot do without inside a word (U+200C, U+200D).
func escaped(r rune) bool {
	return !unicode.IsPrint(r) && r != 0x200C && r != 0x200D
}
