package web

import (
	"fmt"
	"slices"
	"strings"
	"testing"

	"golang.org/x/net/html"
)

var void = []string{"meta", "link", "input", "img", "br", "hr", "source", "track"}

// balanced holds the tags of a page against each other: each that opens closes.
func balanced(page string) error {
	var open []string
	for z := html.NewTokenizer(strings.NewReader(page)); ; {
		switch z.Next() {
		case html.ErrorToken:
			if len(open) > 0 {
				return fmt.Errorf("never closed: %v", open)
			}
			return nil
		case html.StartTagToken:
			name, _ := z.TagName()
			if !slices.Contains(void, string(name)) {
				open = append(open, string(name))
			}
		case html.EndTagToken:
			name, _ := z.TagName()
			if len(open) == 0 || open[len(open)-1] != string(name) {
				return fmt.Errorf("</%s> closes %v", name, open)
			}
			open = open[:len(open)-1]
		}
	}
}

// parsed is a page as a browser understands it.
type parsed struct {
	all []*html.Node // elements, in order
	ids map[string]*html.Node
}

func parse(t *testing.T, page string) parsed {
	t.Helper()
	root, err := html.Parse(strings.NewReader(page))
	if err != nil {
		t.Fatal(err)
	}
	p := parsed{ids: map[string]*html.Node{}}
	for n := range root.Descendants() {
		if n.Type != html.ElementNode {
			continue
		}
		p.all = append(p.all, n)
		if id := attr(n, "id"); id != "" {
			if p.ids[id] != nil {
				t.Errorf("two elements have the id %q", id)
			}
			p.ids[id] = n
		}
	}
	return p
}

func (p parsed) find(tags ...string) []*html.Node {
	return slices.Collect(func(yield func(*html.Node) bool) {
		for _, n := range p.all {
			if slices.Contains(tags, n.Data) && !yield(n) {
				return
			}
		}
	})
}

func attr(n *html.Node, name string) string {
	v, _ := lookAttr(n, name)
	return v
}

func lookAttr(n *html.Node, name string) (string, bool) {
	for _, a := range n.Attr {
		if a.Key == name {
			return a.Val, true
		}
	}
	return "", false
}

func text(n *html.Node) string {
	var b strings.Builder
	for d := range n.Descendants() {
		if d.Type == html.TextNode {
			b.WriteString(d.Data)
		}
	}
	return strings.Join(strings.Fields(b.String()), " ")
}

// name is what a reader of the screen hears of an element.
func (p parsed) name(n *html.Node) string {
	if v := attr(n, "aria-label"); v != "" {
		return v
	}
	if id := attr(n, "aria-labelledby"); id != "" && p.ids[id] != nil {
		return text(p.ids[id])
	}
	switch n.Data {
	case "input", "select", "textarea", "progress", "output":
		for _, l := range p.find("label") {
			if id := attr(n, "id"); id != "" && attr(l, "for") == id {
				return text(l)
			}
		}
		for a := range n.Ancestors() {
			if a.Data == "label" {
				return text(a)
			}
		}
		return ""
	case "fieldset", "figure", "table":
		for d := range n.Descendants() {
			if d.Data == "legend" || d.Data == "figcaption" || d.Data == "caption" {
				return text(d)
			}
		}
		return ""
	}
	return text(n)
}

// allPages are the filled and the empty pages by name.
func allPages() map[string]Page {
	all := full()
	for _, p := range zero() {
		all["zero "+p.template()] = p
	}
	return all
}

func TestMarkup(t *testing.T) {
	for name, page := range allPages() {
		t.Run(name, func(t *testing.T) {
			source := render(t, page)
			if err := balanced(source); err != nil {
				t.Errorf("the tags do not balance: %v", err)
			}
			p := parse(t, source)
			checkHeadings(t, p)
			checkNames(t, p)
			checkPolicy(t, p)
			checkReferences(t, p)
		})
	}
}

func checkHeadings(t *testing.T, p parsed) {
	t.Helper()
	if n := len(p.find("h1")); n != 1 {
		t.Errorf("%d h1, want 1", n)
	}
	level := 0
	for _, h := range p.find("h1", "h2", "h3", "h4") {
		l := int(h.Data[1] - '0')
		if l > level+1 {
			t.Errorf("%s %q follows a heading of level %d", h.Data, text(h), level)
		}
		if text(h) == "" {
			t.Errorf("an empty %s", h.Data)
		}
		level = l
	}
	for tag, want := range map[string]int{"main": 1, "title": 1, "header": 1, "footer": 1} {
		if n := len(p.find(tag)); n < want || tag == "main" && n > 1 {
			t.Errorf("%d %s, want %d", n, tag, want)
		}
	}
	if text(p.find("title")[0]) == "" || attr(p.find("html")[0], "lang") == "" {
		t.Error("the page lacks a title or a language")
	}
}

func checkNames(t *testing.T, p parsed) {
	t.Helper()
	for _, n := range p.find("a", "button", "input", "select", "textarea", "nav", "section", "aside", "fieldset", "progress", "video", "output") {
		if attr(n, "type") == "hidden" || n.Namespace == "svg" {
			continue
		}
		if p.name(n) == "" {
			t.Errorf("<%s %v> has no name", n.Data, n.Attr)
		}
	}
	for _, n := range p.find("img") {
		if _, ok := lookAttr(n, "alt"); !ok {
			t.Errorf("<img %v> has no alt", n.Attr)
		}
	}
}

// checkPolicy holds the page against the policy default-src 'self'.
func checkPolicy(t *testing.T, p parsed) {
	t.Helper()
	for _, n := range p.all {
		for _, a := range n.Attr {
			if a.Key == "style" || strings.HasPrefix(a.Key, "on") {
				t.Errorf("<%s> has an inline %s", n.Data, a.Key)
			}
			address := slices.Contains([]string{"src", "href", "action", "poster"}, a.Key)
			if address && !strings.HasPrefix(a.Val, "/") && !strings.HasPrefix(a.Val, "#") && !strings.HasPrefix(a.Val, "?") {
				t.Errorf("<%s %s=%q> leads out of the library", n.Data, a.Key, a.Val)
			}
			if address && strings.HasPrefix(a.Val, "//") {
				t.Errorf("<%s %s=%q> leads to another host", n.Data, a.Key, a.Val)
			}
		}
		if n.Data == "style" && n.Namespace == "" || n.Data == "script" && n.FirstChild != nil {
			t.Errorf("an inline <%s>", n.Data)
		}
		if i := attr(n, "tabindex"); i != "" && i != "-1" && i != "0" {
			t.Errorf("<%s tabindex=%s> jumps the order", n.Data, i)
		}
	}
}

func checkReferences(t *testing.T, p parsed) {
	t.Helper()
	for _, n := range p.all {
		for _, key := range []string{"for", "aria-labelledby", "aria-describedby", "list", "form"} {
			for _, id := range strings.Fields(attr(n, key)) {
				if p.ids[id] == nil {
					t.Errorf("<%s %s=%q> points at nothing", n.Data, key, id)
				}
			}
		}
		if to, ok := strings.CutPrefix(attr(n, "href"), "#"); ok && p.ids[to] == nil {
			t.Errorf("the link %q leads nowhere on this page", "#"+to)
		}
		if in, ok := strings.CutPrefix(attr(n, "fill"), "url(#"); ok && p.ids[strings.TrimSuffix(in, ")")] == nil {
			t.Errorf("the hatching %q is not on this page", in)
		}
	}
}
