package app

import (
	"net/http"
	"net/url"
	"regexp"
	"strings"
	"testing"

	"sideport/annotate/consent"
	"sideport/server/internal/httpd"
)

var everyRole = []consent.Role{"", consent.Trainee, consent.Presenter, consent.Curator, consent.Steward}

// Every row of the table lets in who it says and nobody else, and no answer goes
// without its protective headers.
func TestEveryRouteHoldsItsRole(t *testing.T) {
	s := newStack(t)
	steward := s.keys[consent.Steward]
	for _, r := range httpd.Routes() {
		path := regexp.MustCompile(`:[a-z]+`).ReplaceAllString(r.Path, "x")
		for _, role := range everyRole {
			q := ask{method: r.Method, path: path, as: role}
			if r.Path == "/sign-out" {
				q.as = "" // or the session of the role ends here
			}
			a := s.do(q)
			protected(t, a)
			switch let := r.Who == "" || role.AtLeast(r.Who); {
			case let && (a.status == 401 || a.status == 403 && r.Path != "/sign-in"):
				t.Errorf("%s as %q: %d, want it let in", a.what, role, a.status)
			case let && a.status >= 500:
				t.Errorf("%s as %q: %d: %.300s", a.what, role, a.status, a.body)
			case let:
			case role == "" && r.Method == http.MethodGet && !strings.HasPrefix(path, "/api/"):
				if want := "/sign-in?next=" + url.QueryEscape(path); a.status != 303 || a.header.Get("Location") != want {
					t.Errorf("%s as nobody: %d to %q, want 303 to %q", a.what, a.status, a.header.Get("Location"), want)
				}
			case role == "" && a.status != 401, role != "" && a.status != 403:
				t.Errorf("%s as %q: %d, want it refused", a.what, role, a.status)
			}
		}
	}
	if steward == "" {
		t.Fatal("there was no steward")
	}
}

func protected(t *testing.T, a answer) {
	t.Helper()
	for _, h := range []string{"Content-Security-Policy", "X-Content-Type-Options", "Referrer-Policy", "Cross-Origin-Resource-Policy", "Cache-Control"} {
		if a.header.Get(h) == "" {
			t.Errorf("%s: no %s", a.what, h)
		}
	}
	if csp := a.header.Get("Content-Security-Policy"); strings.Contains(csp, "unsafe-inline") && !strings.Contains(csp, "default-src 'none'") {
		t.Errorf("%s: %s", a.what, csp)
	}
}

var titled = regexp.MustCompile(`<title>\s*(\S[^<]*)</title>`)

// Each GET of the table answers on a real case: a page with a title, or what it
// says it is; and HEAD the same without the body.
func TestEveryGetAnswers(t *testing.T) {
	s := newStack(t)
	id := s.add(caseFolder(t))
	var c struct {
		Notes []struct{ ID, Kind string }
	}
	s.do(ask{method: "GET", path: "/api/cases/" + id, as: consent.Steward}).want(200).into(&c)
	fill := func(path string) string {
		return strings.NewReplacer("/stages/:name", "/stages/"+c.Notes[0].ID+".jpg", "/captions/:name", "/captions/en.vtt", "/stills/:name", "/stills/none.jpg",
			"/static/:name", "/static/none", ":id", id, ":note", c.Notes[0].ID, ":rec", "r1", ":format", "summary").Replace(path)
	}
	missing := map[string]bool{"/cases/:id/stills/:name": true, "/static/:name": true} // the case has none; names change with the bundle
	for _, r := range httpd.Routes() {
		if r.Method != http.MethodGet {
			continue
		}
		a := s.do(ask{method: "GET", path: fill(r.Path), as: consent.Steward})
		if a.status != 200 && !missing[r.Path] || a.status != 404 && missing[r.Path] {
			t.Errorf("%s: %d: %.300s", a.what, a.status, a.body)
		}
		if strings.HasPrefix(a.header.Get("Content-Type"), "text/html") && !titled.Match(a.body) {
			t.Errorf("%s: a page without a title", a.what)
		}
		h := s.do(ask{method: "HEAD", path: fill(r.Path), as: consent.Steward})
		if h.status != a.status || len(h.body) != 0 || h.header.Get("Content-Type") != a.header.Get("Content-Type") && r.Path != "/api/backup" {
			t.Errorf("HEAD of %s: %d as %q with %d bytes, GET was %d as %q", r.Path, h.status, h.header.Get("Content-Type"), len(h.body), a.status, a.header.Get("Content-Type"))
		}
	}
}

func TestWhatIsNotInTheTable(t *testing.T) {
	s := newStack(t)
	for _, tt := range []struct {
		method, path string
		status       int
		media        string
	}{
		{"GET", "/nothing", 404, "text/html"},
		{"GET", "/api/nothing", 404, "application/problem+json"},
		{"GET", "/api/cases/x/y/z", 404, "application/problem+json"},
		{"DELETE", "/help", 405, "text/html"},
		{"POST", "/api/version", 405, "application/problem+json"},
		{"PATCH", "/api/cases/x", 405, "application/problem+json"},
	} {
		a := s.do(ask{method: tt.method, path: tt.path, as: consent.Steward})
		protected(t, a)
		if media, _, _ := strings.Cut(a.header.Get("Content-Type"), ";"); a.status != tt.status || media != tt.media {
			t.Errorf("%s: %d as %s, want %d as %s", a.what, a.status, media, tt.status, tt.media)
		}
		if a.status == 405 && a.header.Get("Allow") == "" {
			t.Errorf("%s: no Allow", a.what)
		}
	}
}

func TestOtherSitesAreRefused(t *testing.T) {
	s := newStack(t)
	id := s.add(caseFolder(t))
	form := url.Values{"title": {"Taken over"}, "rev": {"1"}}
	for _, tt := range []struct {
		name   string
		path   string
		head   []string
		status int
		media  string
	}{
		{"page by fetch metadata", "/cases/" + id + "/details", []string{"Sec-Fetch-Site", "cross-site"}, 403, "text/html"},
		{"page by origin", "/cases/" + id + "/details", []string{"Origin", "https://elsewhere.example"}, 403, "text/html"},
		{"sibling site", "/cases/" + id + "/details", []string{"Sec-Fetch-Site", "same-site"}, 403, "text/html"},
		{"sign-out", "/sign-out", []string{"Sec-Fetch-Site", "cross-site"}, 403, "text/html"},
		{"api", "/api/cases", []string{"Sec-Fetch-Site", "cross-site"}, 403, "application/problem+json"},
		{"upload", "/uploads/", []string{"Sec-Fetch-Site", "cross-site"}, 403, "application/problem+json"},
		{"our own", "/cases/" + id + "/details", []string{"Sec-Fetch-Site", "same-origin"}, 303, ""},
	} {
		t.Run(tt.name, func(t *testing.T) {
			a := s.do(ask{method: "POST", path: tt.path, as: consent.Steward, body: form, head: tt.head}).want(tt.status)
			if media, _, _ := strings.Cut(a.header.Get("Content-Type"), ";"); media != tt.media {
				t.Errorf("as %q, want %q", media, tt.media)
			}
			protected(t, a)
		})
	}
}
