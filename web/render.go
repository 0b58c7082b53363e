package web

import (
	"bytes"
	"embed"
	"fmt"
	"html/template"
	"io"
	"io/fs"
	"strings"
	"sync"

	"sideport/annotate"
)

//go:embed templates help/*.html
var sources embed.FS

// pages are the parsed templates, by page name.
var pages = sync.OnceValues(parsePages)

// parsePages gives each page a set of its own: layout, parts, help texts and
// the one page.
func parsePages() (map[string]*template.Template, error) {
	base, err := template.New("layout").Funcs(funcs).ParseFS(sources, "templates/layout.html", "templates/parts/*.html", "help/*.html")
	if err != nil {
		return nil, fmt.Errorf("read the layout: %w", err)
	}
	files, err := fs.Glob(sources, "templates/pages/*.html")
	if err != nil {
		return nil, fmt.Errorf("list the page templates: %w", err)
	}
	out := map[string]*template.Template{}
	for _, f := range files {
		t, err := base.Clone()
		if err != nil {
			return nil, fmt.Errorf("copy the layout for %s: %w", f, err)
		}
		if t, err = t.ParseFS(sources, f); err != nil {
			return nil, fmt.Errorf("read %s: %w", f, err)
		}
		name := strings.TrimSuffix(f[strings.LastIndexByte(f, '/')+1:], ".html")
		out[name] = t.Lookup("layout.html")
	}
	return out, nil
}

// Render writes the page as a whole HTML document. Nothing is written to w
// unless all of the page could be made.
func Render(w io.Writer, page Page) error {
	all, err := pages()
	if err != nil {
		return err
	}
	t, ok := all[page.template()]
	if !ok {
		return fmt.Errorf("there is no template for page %s", page.template())
	}
	var b bytes.Buffer
	if err := t.Execute(&b, page); err != nil {
		return fmt.Errorf("make page %s: %w", page.template(), err)
	}
	_, err = b.WriteTo(w)
	return err
}

var funcs = template.FuncMap{
	"static":  StaticPath,
	"caution": caution,
	"clock":   annotate.Time.Clock,
	"seconds": seconds,
	"change":  changeText,
	"lower":   strings.ToLower,
	"join":    func(s []string, sep string) string { return strings.Join(s, sep) },
	"add":     func(a, b int) int { return a + b },
}

// seconds writes t for a t= or a data attribute: "421.3".
func seconds(t annotate.Time) string { return annotate.FormatNumber(t.Seconds()) }

// changeText writes a fraction of change in per cent, with a true minus and no
// more than one decimal: "−16.7 %", "+25 %", "0 %".
func changeText(f float64) string {
	s := strings.TrimSuffix(fmt.Sprintf("%+.1f", 100*f), ".0")
	switch {
	case s == "+0" || s == "-0":
		return "0 %"
	case s[0] == '-':
		s = "−" + s[1:]
	}
	return s + " %"
}
