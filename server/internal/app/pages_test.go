package app

import (
	"bytes"
	"fmt"
	"net/url"
	"strings"
	"testing"

	"golang.org/x/net/html"

	"sideport/annotate"
	"sideport/annotate/consent"
)

// links finds the addresses of a page's links, by their words.
func links(t *testing.T, page []byte) map[string]string {
	t.Helper()
	root, err := html.Parse(bytes.NewReader(page))
	if err != nil {
		t.Fatal(err)
	}
	out := map[string]string{}
	for n := range root.Descendants() {
		if n.Type == html.ElementNode && n.Data == "a" {
			out[strings.Join(strings.Fields(text(n)), " ")] = attr(n, "href")
		}
	}
	return out
}

func TestLibraryPage(t *testing.T) {
	s := newStack(t)
	id := s.add(caseFolder(t))
	a := s.do(ask{method: "GET", path: "/?q=loose+bag+horizontal+chop&eye=left", as: consent.Trainee}).want(200)
	for _, shown := range []string{"Loose bag, horizontal chop", "/cases/" + id + "/recordings/r1/poster.jpg", "/cases/" + id + "?t=4", "Zonular weakness"} {
		if !strings.Contains(string(a.body), shown) {
			t.Errorf("the page does not show %q", shown)
		}
	}
	off := links(t, a.body)["search it as written: loose bag"]
	if u, err := url.Parse(off); err != nil || u.Query().Get("as-written") != "f.zonular-weakness" || u.Query().Get("eye") != "left" {
		t.Fatalf("a reading is switched off at %q, %v", off, err)
	}
	b := s.do(ask{method: "GET", path: off, as: consent.Trainee}).want(200)
	on := links(t, b.body)["read it as Zonular weakness"]
	if u, err := url.Parse(on); err != nil || u.Query().Has("as-written") || u.Query().Get("q") != "loose bag horizontal chop" {
		t.Errorf("and on again at %q, %v", on, err)
	}
	if c := s.do(ask{method: "GET", path: "/?q=nothing+of+the+kind+zzz", as: consent.Trainee}).want(200); !strings.Contains(string(c.body), "loose bag horizontal chop") {
		t.Error("a search that finds nothing suggests nothing")
	}
}

// A library of several pages is walked from end to end without a gap.
func TestPagesOfTheLibrary(t *testing.T) {
	s := newStack(t)
	const n = 45
	for i := range n {
		id := fmt.Sprintf("case%02d", i)
		c := annotate.Case{Title: "Case " + id, Status: annotate.Published, Consent: annotate.Consent{Audience: annotate.Public, Obtained: "2026-03-01"}}
		if _, err := s.store.Apply(t.Context(), "local", annotate.Edit{Case: id, Add: &c}); err != nil {
			t.Fatal(err)
		}
	}
	s.settle()
	seen := map[string]bool{}
	next, pages := "/?sort=title", 0
	for ; next != "" && pages < 10; pages++ {
		page := links(t, s.do(ask{method: "GET", path: next, as: consent.Trainee}).want(200).body)
		for _, href := range page {
			if id, ok := strings.CutPrefix(href, "/cases/"); ok {
				seen[id] = true
			}
		}
		next = page["Further cases"]
	}
	if len(seen) != n || pages != 3 {
		t.Errorf("%d cases were seen on %d pages, want %d on 3", len(seen), pages, n)
	}
	if a := s.do(ask{method: "GET", path: "/?sort=title&page=900", as: consent.Trainee}).want(303); a.header.Get("Location") != "/?page=3&sort=title" {
		t.Errorf("beyond the last page one is led to %q", a.header.Get("Location"))
	}
}

func TestRecordOpensAtItsSecond(t *testing.T) {
	s := newStack(t)
	id := s.add(caseFolder(t))
	for at, want := range map[string]string{"": "00:00", "4.5": "00:04", "npt:00:05": "00:05", "00:00:06": "00:06", "3,7": "00:03", "soon": "00:00", "-3": "00:00"} {
		a := s.do(ask{method: "GET", path: "/cases/" + id + "?t=" + url.QueryEscape(at), as: consent.Trainee}).want(200)
		if !strings.Contains(string(a.body), `data-at aria-label="Second of the case">`+want+`<`) {
			t.Errorf("t=%s does not open at %s", at, want)
		}
	}
	a := s.do(ask{method: "GET", path: "/cases/" + id, as: consent.Trainee}).want(200)
	for _, shown := range []string{"Vacuum limit", "350 mmHg", "400 mmHg", "Never turn the nucleus", "hooks earlier", "14 mmHg"} {
		if !strings.Contains(string(a.body), shown) {
			t.Errorf("the record does not show %q", shown)
		}
	}
	if strings.Contains(string(a.body), "/details") {
		t.Error("a trainee is offered the form of the details")
	}
}

func TestDiscretionCoversTheFilm(t *testing.T) {
	s := newStack(t)
	id := s.add(caseFolder(t, "status: published", "status: published\ndiscretion: true"))
	poster := ` poster="/cases/` + id
	if a := s.do(ask{method: "GET", path: "/cases/" + id, as: consent.Trainee}).want(200); !strings.Contains(string(a.body), `class="cover"`) || strings.Contains(string(a.body), poster) {
		t.Error("the film is not covered before it was asked for")
	}
	if a := s.do(ask{method: "GET", path: "/cases/" + id + "?shown=1", as: consent.Trainee}).want(200); strings.Contains(string(a.body), `class="cover"`) {
		t.Error("the film is covered though it was asked for")
	}
}

func TestRemovingACaseByItsForm(t *testing.T) {
	s := newStack(t)
	id := s.add(caseFolder(t))
	page := s.do(ask{method: "GET", path: "/cases/" + id + "/details?remove=1", as: consent.Curator}).want(200)
	form := formOf(t, page.body)
	s.do(ask{method: "POST", path: "/cases/" + id + "/remove", as: consent.Curator, body: url.Values{}}).want(428)
	s.do(ask{method: "POST", path: "/cases/" + id + "/remove", as: consent.Curator, body: url.Values{"rev": {"99"}}}).want(409)
	s.do(ask{method: "POST", path: "/cases/" + id + "/remove", as: consent.Curator, body: url.Values{"rev": form["rev"]}}).want(303)
	s.do(ask{method: "GET", path: "/cases/" + id, as: consent.Curator}).want(404)
}
