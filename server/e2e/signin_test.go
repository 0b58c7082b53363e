package e2e

import (
	"net/http"
	"strings"
	"testing"
)

func TestSignInByThePrintedLink(t *testing.T) {
	s := serve(t, t.TempDir())
	link := strings.TrimPrefix(s.link, s.base)
	b := strangerTab(t, s)

	b.open("/add?why=because")
	if got := b.where(); got != "/sign-in?next=%2Fadd%3Fwhy%3Dbecause" {
		t.Fatalf("a stranger who wants to add a case is led to %s", got)
	}
	// Whatever looks at a link before its reader does must not use it up.
	for range 3 {
		if a := s.ask(t, http.MethodGet, link, "", nil); a.StatusCode != http.StatusOK || len(a.Cookies()) > 0 {
			t.Fatalf("looking at the link: %s, cookies %v", a.Status, a.Cookies())
		}
	}
	b.open(link + "&next=%2Fadd%3Fwhy%3Dbecause")
	b.follow("main button")
	if got := b.where(); got != "/add?why=because" {
		t.Errorf("signed in, one is led to %s, not to where one was going", got)
	}
	if got := b.text("h1"); got != "Add a case" {
		t.Errorf("the page is %q", got)
	}

	other := strangerTab(t, s)
	other.open(link)
	if got := other.text("[role=alert]"); !strings.Contains(got, "used already") {
		t.Errorf("the link a second time: %q", got)
	}
	if a := s.ask(t, http.MethodPost, "/sign-in", "", strings.NewReader("key="+link[strings.Index(link, "=")+1:]), "Content-Type", "application/x-www-form-urlencoded"); a.StatusCode != http.StatusForbidden || len(a.Cookies()) > 0 {
		t.Errorf("the key sent a second time: %s, cookies %v", a.Status, a.Cookies())
	}

	b.follow(".who button")
	if got := b.where(); got != "/sign-in" {
		t.Errorf("signed out, one is at %s", got)
	}
	b.open("/")
	if got := b.where(); got != "/sign-in?next=%2F" {
		t.Errorf("signed out, the library is still open: %s", got)
	}
}

func TestWaysBackStayInTheHouse(t *testing.T) {
	for _, next := range []string{"https://elsewhere.invalid/", "//elsewhere.invalid", `/\elsewhere.invalid`, "javascript:alert(1)"} {
		s := serve(t, t.TempDir())
		a := s.ask(t, http.MethodPost, "/sign-in", "", strings.NewReader("key="+s.link[strings.Index(s.link, "=")+1:]+"&next="+next), "Content-Type", "application/x-www-form-urlencoded")
		if got := a.Header.Get("Location"); a.StatusCode != http.StatusSeeOther || got != "/" {
			t.Errorf("back to %s: %s to %q", next, a.Status, got)
		}
	}
}
