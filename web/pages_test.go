package web

import (
	"bytes"
	"flag"
	"os"
	"path/filepath"
	"testing"
)

var pagesDir = flag.String("pages", "", "write the filled pages and the bundle into this folder, to look at them")

func render(t *testing.T, p Page) string {
	t.Helper()
	var b bytes.Buffer
	if err := Render(&b, p); err != nil {
		t.Fatal(err)
	}
	return b.String()
}

func TestWritePages(t *testing.T) {
	for name, p := range full() {
		t.Run(name, func(t *testing.T) {
			html := render(t, p)
			if *pagesDir == "" {
				return
			}
			if err := os.WriteFile(filepath.Join(*pagesDir, name+".html"), []byte(html), 0o644); err != nil {
				t.Fatal(err)
			}
		})
	}
}

func TestWriteBundle(t *testing.T) {
	if *pagesDir == "" {
		return
	}
	if err := os.MkdirAll(filepath.Join(*pagesDir, "static"), 0o755); err != nil {
		t.Fatal(err)
	}
	for name, f := range static().files {
		if err := os.WriteFile(filepath.Join(*pagesDir, "static", name), f.Body, 0o644); err != nil {
			t.Fatal(err)
		}
	}
}

func TestZeroPages(t *testing.T) {
	for _, p := range []Page{LibraryPage{}, RecordPage{}, NotePage{}, DetailsPage{}, AddPage{}, ErrorPage{}, SignInPage{}, HelpPage{}} {
		t.Run(p.template(), func(t *testing.T) { render(t, p) })
	}
}
