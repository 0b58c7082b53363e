package e2e

import (
	"fmt"
	"io"
	"net/http"
	"regexp"
	"strings"
	"testing"
)

// A stranger gets no page, no byte and no answer.
func TestStrangersGetNothing(t *testing.T) {
	s := shared(t)
	rec := "/cases/" + s.story + "/recordings/r1"
	for _, c := range []struct {
		method, path string
		status       int
	}{
		{"GET", "/", 303}, {"GET", "/cases/" + s.story, 303}, {"GET", "/add", 303},
		{"GET", rec + "/film", 303}, {"HEAD", rec + "/film", 401}, {"GET", rec + "/poster.jpg", 303}, {"GET", rec + "/captions/en.vtt", 303}, {"GET", rec + "/chapters.vtt", 303},
		{"GET", "/cases/" + s.story + "/export/folder", 303}, {"GET", "/cases/" + s.full + "/stills/s1.jpg", 303},
		{"GET", "/api/cases", 401}, {"GET", "/api/cases/" + s.story, 401}, {"GET", "/api/cases/" + s.story + "/export/chapters", 401}, {"GET", "/api/suggest?q=l", 401},
		{"GET", "/api/backup", 401}, {"POST", "/api/check", 401}, {"POST", "/api/cases", 401}, {"DELETE", "/api/cases/" + s.story, 401}, {"POST", "/uploads/", 401}, {"POST", "/add", 401},
	} {
		for _, header := range [][]string{nil, {"Range", "bytes=0-99"}, {"Authorization", "Bearer " + strings.Repeat("A", 26)}} {
			a := s.ask(t, c.method, c.path, "", nil, header...)
			if a.StatusCode != c.status && !(len(header) > 0 && a.StatusCode == 401) {
				t.Errorf("%s %s %v: %s, not %d", c.method, c.path, header, a.Status, c.status)
			}
			if to := a.Header.Get("Location"); a.StatusCode == 303 && !strings.HasPrefix(to, "/sign-in?next=") {
				t.Errorf("%s %s leads to %s", c.method, c.path, to)
			}
			if strings.Contains(string(a.body), "Loose bag") || len(a.body) > 8<<10 || a.Header.Get("Accept-Ranges") != "" {
				t.Errorf("%s %s tells %d bytes: %s", c.method, c.path, len(a.body), cutShort(string(a.body)))
			}
		}
	}
	if a := s.get(t, rec+"/film"); a.StatusCode != 200 || len(a.body) < 100<<10 {
		t.Errorf("signed in, the film answers %s with %d bytes: no test of anything", a.Status, len(a.body))
	}
}

// Consent that is withdrawn takes the case away from everybody, at once and
// everywhere.
func TestWithdrawnConsentTakesTheCaseAway(t *testing.T) {
	s, id := caseToWrite(t)
	rec := "/cases/" + id + "/recordings/r1"
	still := regexp.MustCompile(`/stages/[^"]+`)
	paths := []string{"/cases/" + id, rec + "/film", rec + "/poster.jpg", rec + "/chapters.vtt", "/cases/" + id + "/export/chapters", "/cases/" + id + "/export/summary",
		"/cases/" + id + "/export/folder", "/api/cases/" + id, "/api/cases/" + id + "/export/captions", "/cases/" + id + "/details", "/cases/" + id + "/notes/new"}
	if m := still.FindString(string(s.get(t, "/cases/"+id).body)); m != "" {
		paths = append(paths, rec+m)
	}
	b, watching := newTab(t, s.server), newTab(t, s.server)
	watching.open("/cases/" + id)
	watching.at(0)
	for _, p := range paths {
		if a := s.get(t, p); a.StatusCode != 200 {
			t.Fatalf("%s answers %s before anything is withdrawn: no test of anything", p, a.Status)
		}
	}

	b.open("/cases/" + id + "/details")
	b.fill(`[name="consent.withdrawn"]`, "2026-03-09")
	b.follow("form.sheet .acts button")
	if got := b.text("h1"); got != "The library" {
		t.Errorf("after the withdrawal one is on %q\n%s", got, b.text("main"))
	}
	for _, p := range paths {
		a := s.get(t, p)
		if a.StatusCode != http.StatusNotFound || !strings.Contains(string(a.body), "no case "+id+" here") {
			t.Errorf("%s answers %s: %s", p, a.Status, cutShort(string(a.body)))
		}
		if strings.Contains(string(a.body), "A case to write in") {
			t.Errorf("%s still says the title", p)
		}
	}
	if a := s.ask(t, "GET", rec+"/film", s.session, io.Reader(nil), "Range", "bytes=100-199"); a.StatusCode != 404 {
		t.Errorf("a range of the film answers %s", a.Status)
	}
	await(t, "the case to leave the search", func() bool {
		return !strings.Contains(sideport(t, s.data, "find", "already", "here").out, id)
	})
	if got := sideport(t, s.data, "export", id, "chapters"); got.code != 3 {
		t.Errorf("export ended with %d: %s", got.code, got.err)
	}
	for _, page := range []string{"/", "/?q=already+here", "/?status=published"} {
		b.open(page)
		if b.has(fmt.Sprintf(`a[href^="/cases/%s"]`, id)) {
			t.Errorf("%s still shows the case", page)
		}
	}
	watching.open("/cases/" + id)
	if got := watching.text("h1"); got != "Not here" {
		t.Errorf("who was watching sees %q", got)
	}
}

// An audience that the consent does not reach gets nothing, whoever asks.
func TestConsentLimitsExports(t *testing.T) {
	s := shared(t)
	for _, c := range []struct {
		id, audience string
		status       int
	}{
		{s.story, "own unit", 200}, {s.story, "professionals", 403}, {s.story, "public", 403},
		{s.full, "professionals", 200}, {s.full, "public", 403}, {s.full, "nobody", 403}, {s.full, "everybody", 422},
	} {
		a := s.get(t, "/cases/"+c.id+"/export/summary?audience="+strings.ReplaceAll(c.audience, " ", "+"))
		if a.StatusCode != c.status {
			t.Errorf("for %s: %s\n%s", c.audience, a.Status, cutShort(string(a.body)))
		}
	}
	if got := string(s.get(t, "/cases/"+s.full+"/export/folder?audience=professionals").body); strings.Contains(got, "R-17") {
		t.Error("the entry in the unit's register has left with the case")
	}
	for name, b := range unzip(t, s.get(t, "/cases/"+s.full+"/export/folder?audience=professionals").body) {
		if strings.Contains(string(b), "R-17") || strings.Contains(string(b), "pencilled") {
			t.Errorf("%s has what is for those who write alone", name)
		}
	}
}
