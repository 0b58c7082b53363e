package web

import (
	"bytes"
	"flag"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"sync"
	"testing"

	"github.com/jba/templatecheck"
)

var pagesDir = flag.String("pages", "", "write the filled pages and the bundle into this folder, to look at them")

// zero are all pages with nothing in them.
func zero() []Page {
	return []Page{LibraryPage{}, RecordPage{}, NotePage{}, DetailsPage{}, AddPage{}, ErrorPage{}, SignInPage{}, HelpPage{}}
}

func render(t *testing.T, p Page) string {
	t.Helper()
	var b bytes.Buffer
	if err := Render(&b, p); err != nil {
		t.Fatal(err)
	}
	return b.String()
}

func TestTemplatesFitTheirStructs(t *testing.T) {
	all, err := parsePages() // afresh, as the first execution rewrites them
	if err != nil {
		t.Fatal(err)
	}
	if len(all) != len(zero()) {
		t.Errorf("%d templates for %d page structs", len(all), len(zero()))
	}
	for _, p := range zero() {
		t.Run(p.template(), func(t *testing.T) {
			if err := templatecheck.CheckHTML(all[p.template()], p); err != nil {
				t.Error(err)
			}
		})
	}
}

// Pages are rendered for many readers at once; under -race this finds what they share.
func TestRenderTogether(t *testing.T) {
	want := render(t, recordPage())
	var wg sync.WaitGroup
	for range 8 {
		wg.Go(func() {
			var b bytes.Buffer
			if err := Render(&b, recordPage()); err != nil || b.String() != want {
				t.Errorf("a page rendered beside others differs (%v)", err)
			}
		})
	}
	wg.Wait()
}

type brokenPage struct{}

func (brokenPage) template() string { return "library" }

func TestNothingIsWrittenOfABrokenPage(t *testing.T) {
	var b bytes.Buffer
	if err := Render(&b, brokenPage{}); err == nil {
		t.Error("a page without the fields of its template was rendered")
	}
	if b.Len() > 0 {
		t.Errorf("%d bytes were written before the error", b.Len())
	}
}

// hostile puts a text into every string that v holds.
func hostile(v reflect.Value, text string) {
	switch v.Kind() {
	case reflect.String:
		v.SetString(text)
	case reflect.Struct:
		for i := range v.NumField() {
			hostile(v.Field(i), text)
		}
	case reflect.Slice:
		for i := range v.Len() {
			hostile(v.Index(i), text)
		}
	}
}

func TestHostileWordsStayWords(t *testing.T) {
	const text = `"'><script>alert(1)</script><img src=x onerror=alert(1)>javascript:alert(1)`
	for name, p := range full() {
		t.Run(name, func(t *testing.T) {
			v := reflect.New(reflect.TypeOf(p)).Elem()
			v.Set(reflect.ValueOf(p))
			hostile(v, text)
			html := render(t, v.Interface().(Page))
			for _, bad := range []string{"<script>", "<img src=x", `href="javascript:`, `="javascript:`} {
				if strings.Contains(html, bad) {
					t.Errorf("%s stands in the page as markup", bad)
				}
			}
		})
	}
}

func TestWritePages(t *testing.T) {
	if *pagesDir == "" {
		return
	}
	write := func(name string, body []byte) {
		path := filepath.Join(*pagesDir, name)
		if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(path, body, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	for name, p := range full() {
		write(name+".html", []byte(render(t, p)))
	}
	for name, f := range static().files {
		write("static/"+name, f.Body)
	}
}

// A long facet is folded after its first values, and stays open where one of
// the folded is chosen.
func TestFacetFolds(t *testing.T) {
	f := Facet{ID: "stage"}
	for i := range shown + 3 {
		f.Values = append(f.Values, FacetValue{Value: string(rune('a' + i))})
	}
	if first, rest := f.First(), f.Rest(); len(first) != shown || len(rest) != 3 || rest[0].Facet != "stage" || f.RestChosen() {
		t.Errorf("got %d and %d values, open %v", len(first), len(rest), f.RestChosen())
	}
	f.Values[shown].Chosen = true
	if !f.RestChosen() {
		t.Error("a chosen value is folded away")
	}
	if short := (Facet{Values: f.Values[:2]}); len(short.First()) != 2 || short.Rest() != nil {
		t.Error("a short facet is folded")
	}
}
