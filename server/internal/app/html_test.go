package app

import (
	"bytes"
	"encoding/json"
	"net/url"
	"testing"

	"golang.org/x/net/html"
)

// formOf reads the form of a page that would send the most, as a browser would
// send it untouched.
func formOf(t *testing.T, page []byte) url.Values {
	t.Helper()
	root, err := html.Parse(bytes.NewReader(page))
	if err != nil {
		t.Fatal(err)
	}
	best := url.Values{}
	for n := range root.Descendants() {
		if n.Type == html.ElementNode && n.Data == "form" && attr(n, "method") == "post" {
			if v := valuesOf(n); len(v) > len(best) {
				best = v
			}
		}
	}
	if len(best) == 0 {
		t.Fatalf("no form in %s", page)
	}
	return best
}

func valuesOf(form *html.Node) url.Values {
	v := url.Values{}
	for n := range form.Descendants() {
		name := attr(n, "name")
		if n.Type != html.ElementNode || name == "" {
			continue
		}
		switch kind := attr(n, "type"); {
		case n.Data == "textarea":
			v.Add(name, text(n))
		case n.Data == "select":
			v.Add(name, chosen(n))
		case n.Data != "input" || kind == "submit" || (kind == "checkbox" || kind == "radio") && !has(n, "checked"):
		default:
			v.Add(name, attr(n, "value"))
		}
	}
	return v
}

func chosen(list *html.Node) string {
	first, seen := "", false
	for n := range list.Descendants() {
		if n.Type != html.ElementNode || n.Data != "option" {
			continue
		}
		if has(n, "selected") {
			return attr(n, "value")
		}
		if !seen {
			first, seen = attr(n, "value"), true
		}
	}
	return first
}

func attr(n *html.Node, key string) string {
	for _, a := range n.Attr {
		if a.Key == key {
			return a.Val
		}
	}
	return ""
}

func has(n *html.Node, key string) bool {
	for _, a := range n.Attr {
		if a.Key == key {
			return true
		}
	}
	return false
}

func text(n *html.Node) string {
	out := ""
	for d := range n.Descendants() {
		if d.Type == html.TextNode {
			out += d.Data
		}
	}
	return out
}

func sameJSON(t *testing.T, a, b any) bool {
	t.Helper()
	x, err := json.Marshal(a)
	if err != nil {
		t.Fatal(err)
	}
	y, err := json.Marshal(b)
	if err != nil {
		t.Fatal(err)
	}
	return bytes.Equal(x, y)
}
