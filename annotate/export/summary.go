package export

import (
	"fmt"
	"math"
	"strconv"
	"strings"

	"sideport/annotate"
	"sideport/annotate/terms"
)

// sheet is the summary before it is put into a markup.
type sheet struct {
	Title    string
	Facts    []fact
	Sections []section
	Cautions []string
	Audience string
}

// section has any of its parts; without one it is left out.
type section struct {
	Title  string
	Text   []string // paragraphs
	Head   []column // of the table
	Rows   [][]string
	Points []point
}

// column is a column of a table; figures are kept on one line.
type column struct {
	Name   string
	Figure bool
}

// columns names the columns; those with a # before them hold figures.
func columns(names ...string) []column {
	var out []column
	for _, n := range names {
		name, figure := strings.CutPrefix(n, "#")
		out = append(out, column{name, figure})
	}
	return out
}

type fact struct{ Name, Value string }

// point is something said of a place in the film.
type point struct {
	At, Name string
	Text     []string
	Facts    []fact
}

// sheetOf lays the case out: what was known, what was planned, what happened by
// kind of note, how it ended.
func sheetOf(c annotate.Case, a annotate.Audience, o Options) sheet {
	s := sheet{Title: c.Title, Facts: headFacts(c, o), Cautions: cautions(c), Audience: audience(a)}
	s.add(section{Title: "Summary", Text: paragraphs(c.Summary)})
	s.add(factors(c, o))
	s.add(plan(c, o))
	for _, k := range annotate.Kinds() {
		s.add(notes(c, k, o))
	}
	s.add(section{Title: "Hindsight", Text: paragraphs(c.Hindsight)})
	s.add(outcome(c))
	return s
}

func (s *sheet) add(x section) {
	if len(x.Text)+len(x.Rows)+len(x.Points) > 0 {
		s.Sections = append(s.Sections, x)
	}
}

func paragraphs(s string) []string {
	var out []string
	for _, line := range strings.Split(s, "\n") {
		if line = strings.TrimSpace(line); line != "" {
			out = append(out, line)
		}
	}
	return out
}

func headFacts(c annotate.Case, o Options) []fact {
	var out []fact
	add := func(name, value string) {
		if value != "" {
			out = append(out, fact{name, value})
		}
	}
	add("Procedure", said(o, c.Procedure))
	add("Surgeon", c.Surgeon)
	add("Eye", c.Eye)
	add("Patient", strings.Join(strings.Fields(c.Patient.AgeBand+" "+c.Patient.Sex), ", "))
	if n := c.Length(); n > 0 {
		add("Length", tenths(n))
	}
	if len(c.Recordings) > 1 {
		add("Recordings", fmt.Sprintf("%d; times are on the clock that they share", len(c.Recordings)))
	}
	if c.Status != annotate.Published {
		add("Status", string(c.Status))
	}
	return out
}

// said is a term's name with what was said for it, where that says something else.
func said(o Options, t annotate.Term) string {
	n := name(o, t)
	if !strings.Contains(terms.Normalise(n), terms.Normalise(t.Words)) {
		return fmt.Sprintf("%s (%s)", n, t.Words)
	}
	return n
}

// tenths writes a time as closely as a reader can find it in a film.
func tenths(t annotate.Time) string {
	return annotate.FromSeconds(math.Round(t.Seconds()*10) / 10).String()
}

func when(s annotate.Span) string {
	if s.Instant() {
		return tenths(s.From)
	}
	return tenths(s.From) + " to " + tenths(s.To)
}

func factors(c annotate.Case, o Options) section {
	s := section{Title: "Difficulty factors", Head: columns("Factor", "Grade or extent", "Known")}
	for _, f := range c.Factors {
		s.Rows = append(s.Rows, []string{said(o, f.Term), f.Grade, f.Known})
	}
	return s
}

func plan(c annotate.Case, o Options) section {
	s := section{Title: "Plan", Head: columns("Challenge", "Strategy", "Stands by")}
	for _, p := range c.Plan {
		var by []string
		for _, t := range p.StandBy {
			by = append(by, said(o, t))
		}
		s.Rows = append(s.Rows, []string{said(o, p.Challenge), p.Strategy, strings.Join(by, ", ")})
	}
	return s
}

func outcome(c annotate.Case) section {
	s := section{Title: "Outcome", Head: columns("When", "Visual acuity", "IOP", "Words")}
	for _, v := range c.Outcome {
		s.Rows = append(s.Rows, []string{v.When, v.VisualAcuity, v.IOP, v.Words})
	}
	return s
}

// notes lays out the notes of a kind: stretches as a table of times, quantities
// as a table of values, anything else as points.
func notes(c annotate.Case, k annotate.Kind, o Options) section {
	s := section{Title: strings.ToUpper(k.Plural[:1]) + k.Plural[1:]}
	for _, n := range inked(c, k.ID) {
		switch {
		case k.Timing == annotate.Spans:
			s.Head = columns("#From", "#To", "#Lasts", strings.ToUpper(k.Name[:1])+k.Name[1:], "Words")
			s.Rows = append(s.Rows, []string{tenths(n.Span.From), tenths(n.Span.To), tenths(n.Span.Len()), said(o, n.Term) + inFilm(c, n), n.Words})
		case quantities(k):
			s.Head = columns("#From", "Mode", "Parameter", "#Value", "#Usual", "#Change")
			s.Rows = append(s.Rows, values(n, o)...)
			if n.Words != "" {
				s.Points = append(s.Points, point{At: when(n.Span), Text: paragraphs(n.Words)})
			}
		default:
			s.Points = append(s.Points, pointOf(c, n, k, o))
		}
	}
	return s
}

func quantities(k annotate.Kind) bool {
	for _, f := range k.Fields {
		if f.Type == annotate.QuantitiesField {
			return true
		}
	}
	return false
}

// inFilm names the recording where it is not the first.
func inFilm(c annotate.Case, n annotate.Note) string {
	for i, r := range c.Recordings {
		if i > 0 && r.ID == n.Recording {
			if r.Role != "" {
				return fmt.Sprintf(" [recording %d, %s]", i+1, r.Role)
			}
			return fmt.Sprintf(" [recording %d]", i+1)
		}
	}
	return ""
}

func pointOf(c annotate.Case, n annotate.Note, k annotate.Kind, o Options) point {
	p := point{At: when(n.Span) + inFilm(c, n), Name: said(o, n.Term), Text: paragraphs(n.Words)}
	for _, f := range k.Fields {
		v := n.Fields[f.ID]
		if text := said(o, annotate.Term{Concept: v.Concept, Words: v.Text}); text != "" {
			p.Facts = append(p.Facts, fact{f.Label, text})
		}
	}
	return p
}

// values gives a row for each value of a setting, set against the usual one.
func values(n annotate.Note, o Options) [][]string {
	var rows [][]string
	usual := map[string]annotate.Quantity{}
	for _, q := range n.Fields["usual"].Quantities {
		usual[q.Parameter] = q
	}
	for _, q := range n.Fields["values"].Quantities {
		label := q.Parameter
		if p, ok := annotate.ParameterOf(q.Parameter); ok {
			label = p.Label
		}
		mode := n.Fields["mode"]
		row := []string{tenths(n.Span.From), name(o, annotate.Term{Concept: mode.Concept, Words: mode.Text}), label, q.String(), "", ""}
		if u, ok := usual[q.Parameter]; ok {
			row[4] = u.String()
			if change, known := annotate.RelativeChange(q, u); known {
				row[5] = percent(change)
			}
		}
		rows = append(rows, row)
	}
	return rows
}

// percent writes a change with its sign, to a tenth: "−16.7 %".
func percent(change float64) string {
	v := math.Round(change*1000) / 10
	text := strconv.FormatFloat(math.Abs(v), 'f', -1, 64) + " %"
	switch {
	case v < 0:
		return "−" + text
	case v > 0:
		return "+" + text
	}
	return "as usual"
}

// cautions are those that apply to what the sheet shows.
func cautions(c annotate.Case) []string {
	out := []string{"For education. Not a medical device; not for clinical decisions."}
	if len(inked(c, "setting")) > 0 {
		out = append(out, "Settings are those of the surgeon, machine and eye shown; percentages do not transfer between machines.")
	}
	for _, t := range c.Terms {
		if t.Concept != "" && t.Words != "" {
			out = append(out, "Terms are put into the vocabulary's words so that they can be found; read what was said, in brackets behind them.")
			break
		}
	}
	return append(out, "Consent can be withdrawn. Every copy, this one too, is then no longer to be used.")
}

func audience(a annotate.Audience) string {
	switch a {
	case annotate.OwnUnit:
		return "Released for the surgeon's own unit, and for nobody beyond it."
	case annotate.Professionals:
		return "Released for professional audiences, and not for the public."
	}
	return "Released for the public."
}
