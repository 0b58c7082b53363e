package export

import (
	"io"
	"regexp"
	"strings"
	"unicode"

	"sideport/annotate"
)

// writeMarkdown writes the summary as CommonMark with tables.
func writeMarkdown(w io.Writer, c annotate.Case, a annotate.Audience, o Options) error {
	s := sheetOf(c, a, o)
	m := &markdown{}
	m.block("# " + inline(s.Title))
	for _, f := range s.Facts {
		m.line("- " + inline(f.Name) + ": " + inline(f.Value))
	}
	m.end()
	for _, x := range s.Sections {
		m.block("## " + inline(x.Title))
		for _, t := range x.Text {
			m.block(paragraph(t))
		}
		if len(x.Rows) > 0 {
			m.table(x.Head, x.Rows)
		}
		for _, p := range x.Points {
			m.point(p)
		}
		m.end()
	}
	m.block("## Cautions")
	for _, t := range s.Cautions {
		m.line("- " + inline(t))
	}
	m.end()
	m.block(paragraph(s.Audience))
	_, err := io.WriteString(w, strings.TrimRight(m.String(), "\n")+"\n")
	return err
}

type markdown struct{ strings.Builder }

func (m *markdown) line(s string) { m.WriteString(s + "\n") }

func (m *markdown) block(s string) { m.WriteString(s + "\n\n") }

// end closes a list or table with an empty line, unless there is one.
func (m *markdown) end() {
	if s := m.String(); !strings.HasSuffix(s, "\n\n") {
		m.WriteString("\n")
	}
}

func (m *markdown) table(head []column, rows [][]string) {
	var names []string
	for _, c := range head {
		names = append(names, c.Name)
	}
	row := func(cells []string) {
		for _, c := range cells {
			m.WriteString("| " + inline(c) + " ")
		}
		m.line("|")
	}
	row(names)
	m.line(strings.Repeat("| --- ", len(head)) + "|")
	for _, cells := range rows {
		row(cells)
	}
	m.end()
}

func (m *markdown) point(p point) {
	lead := "- **" + inline(p.At) + "**"
	if p.Name != "" {
		lead += " " + inline(p.Name)
	}
	if len(p.Text) > 0 {
		if p.Name != "" {
			lead += ":"
		}
		lead += " " + inline(strings.Join(p.Text, " "))
	}
	m.line(lead)
	for _, f := range p.Facts {
		m.line("  - " + inline(f.Name) + ": " + inline(f.Value))
	}
}

// escapes takes the meaning from every sign that has one inside a line. The
// entities hold where a reader lets HTML through as well.
var escapes = strings.NewReplacer(
	"&", "&amp;", "<", "&lt;", ">", "&gt;", `\`, `\\`, "`", "\\`", "*", `\*`, "_", `\_`, "[", `\[`, "]", `\]`,
	"{", `\{`, "}", `\}`, "|", `\|`, "~", `\~`, "#", `\#`, "$", `\$`, "!", `\!`)

// inline makes one line of text that stands behind something of ours.
func inline(s string) string { return escapes.Replace(oneLine(s)) }

// oneLine makes blanks of line ends and of what does not show.
func oneLine(s string) string {
	s = strings.Map(func(r rune) rune {
		if unicode.IsControl(r) || r == 0x2028 || r == 0x2029 {
			return ' '
		}
		return r
	}, strings.ToValidUTF8(s, "\uFFFD"))
	return strings.Join(strings.Fields(s), " ")
}

// opening is what makes a list, a rule or a heading at the start of a line.
var opening = regexp.MustCompile(`^([-+=:]|\d+[.)](\s|$))`)

// paragraph makes one line of text that stands alone.
func paragraph(s string) string {
	s = inline(s)
	if opening.MatchString(s) {
		i := strings.IndexAny(s, "-+=:.)")
		return s[:i] + `\` + s[i:]
	}
	return s
}
