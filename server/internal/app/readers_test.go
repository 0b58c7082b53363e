package app

import (
	"net/http"
	"net/url"
	"regexp"
	"strings"
	"testing"

	"sideport/annotate"
	"sideport/annotate/consent"
)

// hidden are four cases that a trainee may not see, each with words of its own,
// and one that they may.
func hidden(t *testing.T, s *stack) (open string, closed map[string]string) {
	t.Helper()
	open = s.add(caseFolder(t))
	closed = map[string]string{
		"draft":     s.add(caseFolder(t, "status: published", "status: draft", "a marigold remark", "a foxglove remark", "horizontal chop", "foxglove chop")),
		"in review": s.add(caseFolder(t, "status: published", "status: in review", "a marigold remark", "a foxglove remark")),
		"nobody":    s.add(caseFolder(t, "audience: professionals, obtained: 2026-03-01, ", "", "a marigold remark", "a foxglove remark")),
		"withdrawn": s.add(caseFolder(t, "reference: heliotrope-77", "reference: heliotrope-77, withdrawn: 2026-04-01", "a marigold remark", "a foxglove remark")),
	}
	return open, closed
}

// everyWay are the addresses by which something of a case can be had.
func everyWay(id string) []string {
	var out []string
	for _, p := range []string{"", "/recordings/r1/film", "/recordings/r1/poster.jpg", "/recordings/r1/stages/n1.jpg", "/recordings/r1/captions/en.vtt",
		"/recordings/r1/chapters.vtt", "/export/summary", "/export/folder", "/export/chapters?audience=professionals"} {
		out = append(out, "/cases/"+id+p)
	}
	return append(out, "/api/cases/"+id, "/api/cases/"+id+"/export/summary")
}

func TestReaders(t *testing.T) {
	s := newStack(t)
	open, closed := hidden(t, s)
	t.Run("see what is published and consented to", func(t *testing.T) { readersSee(t, s, open, closed) })
	t.Run("find hidden as missing", func(t *testing.T) { hiddenIsMissing(t, s, closed) })
	t.Run("learn nothing of others by searching", func(t *testing.T) { searchTells(t, s, open, closed) })
	t.Run("a steward alone takes away what is withdrawn", func(t *testing.T) { takesAway(t, s, closed["withdrawn"]) })
}

func readersSee(t *testing.T, s *stack, open string, closed map[string]string) {
	for _, role := range []consent.Role{consent.Trainee, consent.Presenter} {
		for _, path := range everyWay(open) {
			s.do(ask{method: "GET", path: path, as: role}).want(200)
		}
		for why, id := range closed {
			for _, path := range everyWay(id) {
				if a := s.do(ask{method: "GET", path: path, as: role}); a.status != 404 {
					t.Errorf("%s, %s, as %s: %d", a.what, why, role, a.status)
				}
			}
		}
	}
}

// A case that may not be seen answers in the very words of one that is not there.
func hiddenIsMissing(t *testing.T, s *stack, closed map[string]string) {
	same := func(role consent.Role, id string) {
		for i, path := range everyWay(id) {
			a := s.do(ask{method: "GET", path: path, as: role})
			b := s.do(ask{method: "GET", path: everyWay("nonesuch")[i], as: role})
			got, want := strings.ReplaceAll(string(a.body), id, "ID"), strings.ReplaceAll(string(b.body), "nonesuch", "ID")
			if a.status != b.status || got != want {
				t.Errorf("%s as %s differs from a missing case: %d and %d\n%s\n%s", a.what, role, a.status, b.status, got, want)
			}
		}
	}
	for _, id := range closed {
		same(consent.Trainee, id)
	}
	for _, role := range []consent.Role{consent.Curator, consent.Steward} {
		same(role, closed["withdrawn"])
	}
	for _, q := range []ask{
		{method: "PUT", path: "", body: object{"title": "x"}},
		{method: "POST", path: "/notes", body: object{"kind": "remark", "words": "x", "span": object{"from": 1, "to": 1}}},
		{method: "DELETE", path: "/notes/n1"}, {method: "PUT", path: "/recordings/r1/captions/en", body: captions},
	} {
		q.as, q.path, q.head = consent.Steward, "/api/cases/"+closed["withdrawn"]+q.path, []string{"If-Match", "*"}
		s.do(q).refused(404, "There is no case")
	}
}

// What nobody sees any more can still be removed, with its films.
func takesAway(t *testing.T, s *stack, withdrawn string) {
	remove := ask{method: "DELETE", path: "/api/cases/" + withdrawn, as: consent.Curator, head: []string{"If-Match", "*"}}
	s.do(remove).refused(404, "There is no case")
	remove.as = consent.Steward
	s.do(remove).want(204)
	s.do(remove).refused(404, "There is no case")
}

// Nothing of a hidden case shows in what is counted, listed or completed.
func searchTells(t *testing.T, s *stack, open string, closed map[string]string) {
	var got struct {
		Total  int
		Hits   []struct{ Case string }
		Facets []struct {
			ID     string
			Values []struct {
				ID    string
				Count int
			}
		}
	}
	count := func(role consent.Role, query string) int {
		t.Helper()
		got.Hits, got.Facets = nil, nil
		s.do(ask{method: "GET", path: "/api/cases?q=" + url.QueryEscape(query), as: role}).want(200).into(&got)
		return got.Total
	}
	if n := count(consent.Trainee, ""); n != 1 || got.Hits[0].Case != open {
		t.Errorf("a trainee's library holds %d: %+v", n, got.Hits)
	}
	for _, f := range got.Facets {
		for _, v := range f.Values {
			if v.Count != 1 {
				t.Errorf("facet %s: %s counts %d", f.ID, v.ID, v.Count)
			}
		}
	}
	if n := count(consent.Curator, ""); n != 4 {
		t.Errorf("a curator's library holds %d, want all but the withdrawn one", n)
	}
	if n := count(consent.Trainee, "foxglove"); n != 0 {
		t.Errorf("a trainee finds %d of the hidden", n)
	}
	if n := count(consent.Curator, "foxglove"); n != 3 {
		t.Errorf("a curator finds %d, want 3", n)
	}
	for _, path := range []string{"/", "/?q=foxglove", "/api/cases?q=foxglove", "/api/suggest?q=foxg", "/api/suggest?q=fox", "/api/terms?q=foxg"} {
		a := s.do(ask{method: "GET", path: path, as: consent.Trainee}).want(200)
		text := strings.ReplaceAll(string(a.body), "foxglove</", "") // the question itself
		for why, id := range closed {
			if strings.Contains(text, id) || strings.Contains(text, "foxglove remark") || strings.Contains(text, "foxglove chop") {
				t.Errorf("%s shows something of the case %s", path, why)
			}
		}
	}
	if a := s.do(ask{method: "GET", path: "/api/suggest?q=foxg", as: consent.Trainee}); strings.Contains(string(a.body), "foxglove") {
		t.Errorf("suggestions speak of the hidden: %s", a.body)
	}
	if a := s.do(ask{method: "GET", path: "/?q=", as: consent.Trainee}); !regexp.MustCompile(`\b1\b`).Match(a.body) {
		t.Error("the page does not count one case")
	}
}

func TestReadersSeeNoPencilAndNoReference(t *testing.T) {
	s := newStack(t)
	id := s.add(caseFolder(t))
	s.do(ask{method: "POST", path: "/api/cases/" + id + "/notes", as: consent.Curator, body: object{"kind": "remark", "span": object{"from": 2, "to": 2}, "words": "a wisteria guess", "state": "pencilled"}}).want(201)
	var stage annotate.Note
	s.do(ask{method: "POST", path: "/api/cases/" + id + "/notes", as: consent.Curator, body: object{"kind": "stage", "span": object{"from": 6, "to": 7}, "term": object{"words": "cortex removal"}, "state": "pencilled"}}).want(201).into(&stage)
	s.settle()
	paths := append(everyWay(id), "/", "/?q=wisteria", "/api/cases?q=wisteria", "/api/suggest?q=wist")
	for _, path := range paths {
		a := s.do(ask{method: "GET", path: path, as: consent.Trainee}).want(200)
		for _, secret := range []string{"wisteria guess", "heliotrope-77", stage.ID} {
			if strings.Contains(string(a.body), secret) {
				t.Errorf("%s shows %q to a trainee", path, secret)
			}
		}
	}
	s.do(ask{method: "GET", path: "/cases/" + id + "/recordings/r1/stages/" + stage.ID + ".jpg", as: consent.Trainee}).want(404)
	s.do(ask{method: "GET", path: "/cases/" + id + "/recordings/r1/stages/" + stage.ID + ".jpg", as: consent.Curator}).want(200)
	a := s.do(ask{method: "GET", path: "/api/cases/" + id, as: consent.Curator}).want(200)
	for _, shown := range []string{"wisteria guess", "heliotrope-77"} {
		if !strings.Contains(string(a.body), shown) {
			t.Errorf("a curator is not shown %q", shown)
		}
	}
}

// From the moment that a consent is withdrawn nothing is served, to anybody.
func TestWithdrawalHidesFromAll(t *testing.T) {
	s := newStack(t)
	id := s.add(caseFolder(t))
	s.do(ask{method: "PUT", path: "/api/cases/" + id, as: consent.Curator, head: []string{"If-Match", "*"},
		body: object{"consent": object{"audience": "professionals", "obtained": "2026-03-01", "withdrawn": "2026-05-01"}}}).want(200)
	for _, role := range everyRole[1:] {
		for _, path := range everyWay(id) {
			if a := s.do(ask{method: "GET", path: path, as: role}); a.status != 404 {
				t.Errorf("%s as %s: %d", a.what, role, a.status)
			}
		}
		// Also before the index has followed.
		if a := s.do(ask{method: "GET", path: "/api/cases?q=marigold", as: role}).want(200); strings.Contains(string(a.body), id) {
			t.Errorf("a search as %s still shows it", role)
		}
	}
	s.settle()
	var got struct{ Total int }
	s.do(ask{method: "GET", path: "/api/cases", as: consent.Steward}).want(200).into(&got)
	if got.Total != 0 {
		t.Errorf("%d cases are counted", got.Total)
	}
}

// What the log says is ids: never what was asked for, written or named.
func TestTheLogHoldsNoWords(t *testing.T) {
	s := newStack(t)
	id := s.add(caseFolder(t))
	s.do(ask{method: "GET", path: "/?q=periwinkle", as: consent.Trainee}).want(200)
	s.do(ask{method: "GET", path: "/api/cases?sort=periwinkle", as: consent.Trainee}).want(422)
	s.do(ask{method: "POST", path: "/api/cases/" + id + "/notes", as: consent.Curator, body: object{"kind": "remark", "span": object{"from": 2, "to": 2}, "words": "periwinkle"}}).want(201)
	s.do(ask{method: "POST", path: "/api/cases", as: consent.Curator, body: `{"title": "periwinkle"`}).want(422)
	s.do(ask{method: http.MethodPost, path: "/sign-in", body: url.Values{"key": {"periwinkle"}}}).want(403)
	s.settle()
	for _, word := range []string{"periwinkle", "Loose bag", "heliotrope", "a curator", s.token} {
		if strings.Contains(s.log.String(), word) {
			t.Errorf("the log holds %q:\n%s", word, s.log)
		}
	}
}
