package export

import (
	"bytes"
	_ "embed"
	"fmt"
	"html/template"
	"io"

	"sideport/annotate"
)

//go:embed summary.html
var summaryHTML string

var page = template.Must(template.New("summary").Parse(summaryHTML))

// writeHTML writes the summary as one page with its own style: no script, no
// picture, nothing that is fetched.
func writeHTML(w io.Writer, c annotate.Case, a annotate.Audience, o Options) error {
	s := sheetOf(c, a, o)
	s.each(oneLine)
	var b bytes.Buffer
	if err := page.Execute(&b, s); err != nil {
		return fmt.Errorf("summary of case %s: %w", c.ID, err)
	}
	_, err := b.WriteTo(w)
	return err
}

// each changes every text of the sheet. Its slices are its own.
func (s *sheet) each(f func(string) string) {
	all := func(texts []string) {
		for i := range texts {
			texts[i] = f(texts[i])
		}
	}
	facts := func(fs []fact) {
		for i := range fs {
			fs[i].Value = f(fs[i].Value)
		}
	}
	s.Title = f(s.Title)
	facts(s.Facts)
	for _, x := range s.Sections {
		all(x.Text)
		for _, row := range x.Rows {
			all(row)
		}
		for i := range x.Points {
			p := &x.Points[i]
			p.At, p.Name = f(p.At), f(p.Name)
			all(p.Text)
			facts(p.Facts)
		}
	}
}
