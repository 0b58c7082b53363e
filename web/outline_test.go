package web

import (
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"golang.org/x/net/html"
)

var update = flag.Bool("update", false, "write the golden outlines anew")

// roles are the elements that a reader of the screen can jump to.
var roles = map[string]string{
	"main": "main", "nav": "navigation", "aside": "complementary", "search": "search", "section": "region",
	"h1": "heading 1", "h2": "heading 2", "h3": "heading 3", "a": "link", "button": "button", "select": "choice",
	"textarea": "text", "table": "table", "fieldset": "group", "video": "film", "progress": "progress", "img": "image",
}

func outline(p parsed) string {
	var b strings.Builder
	depth := func(n *html.Node) (d int) {
		for a := range n.Ancestors() {
			switch a.Data {
			case "main", "nav", "aside", "section", "search", "fieldset":
				d++
			}
		}
		return d
	}
	for _, n := range p.all {
		role, name := attr(n, "role"), ""
		switch {
		case n.Namespace == "svg" && role == "", attr(n, "type") == "hidden":
			continue
		case role != "":
		case n.Data == "input":
			role = strings.TrimSpace("input " + attr(n, "type"))
		default:
			role = roles[n.Data]
		}
		if role == "" {
			continue
		}
		if n.Data != "main" && n.Data != "search" {
			name = p.name(n)
		}
		if current := attr(n, "aria-current"); current != "" {
			name += " (current)"
		}
		fmt.Fprintf(&b, "%s%s: %s\n", strings.Repeat("  ", depth(n)), role, name)
	}
	return b.String()
}

// The outline is what a page is to somebody who does not see it: a change of
// it should be meant.
func TestOutlines(t *testing.T) {
	for name, page := range full() {
		t.Run(name, func(t *testing.T) {
			got := outline(parse(t, render(t, page)))
			file := filepath.Join("testdata", "outlines", name+".txt")
			if *update {
				if err := os.MkdirAll(filepath.Dir(file), 0o755); err != nil {
					t.Fatal(err)
				}
				if err := os.WriteFile(file, []byte(got), 0o644); err != nil {
					t.Fatal(err)
				}
			}
			want, err := os.ReadFile(file)
			if err != nil {
				t.Fatal(err)
			}
			if got != string(want) {
				t.Errorf("the outline has changed; run go test ./web -update and read the difference.\ngot:\n%s", got)
			}
		})
	}
}
