package app

import (
	"net/http"
	"net/url"
	"strings"
	"testing"

	"sideport/annotate/consent"
)

func (s *stack) link() string {
	s.t.Helper()
	first, err := s.desk.FirstSteward(s.t.Context())
	if err != nil {
		s.t.Fatal(err)
	}
	link, err := s.desk.Link(s.t.Context(), first.ID)
	if err != nil {
		s.t.Fatal(err)
	}
	return link
}

func TestSigningIn(t *testing.T) {
	s := newStack(t)
	key := s.link()
	page := s.do(ask{method: "GET", path: "/sign-in?key=" + key + "&next=%2Fadd"}).want(200)
	if !strings.Contains(string(page.body), key) {
		t.Error("the page does not send the key on")
	}
	s.do(ask{method: "GET", path: "/sign-in?key=" + key}).want(200) // looked at by something before its reader
	a := s.do(ask{method: "POST", path: "/sign-in", body: url.Values{"key": {key}, "next": {"/add"}}}).want(303)
	cookies := (&http.Response{Header: a.header}).Cookies()
	if len(cookies) != 1 || !cookies[0].HttpOnly || cookies[0].SameSite != http.SameSiteLaxMode || cookies[0].Path != "/" || a.header.Get("Location") != "/add" {
		t.Fatalf("to %q with %+v", a.header.Get("Location"), cookies)
	}
	s.keys["me"] = cookies[0].Value
	s.do(ask{method: "GET", path: "/add", as: "me"}).want(200)
	s.do(ask{method: "POST", path: "/sign-in", body: url.Values{"key": {key}}}).want(403)
	if p := s.do(ask{method: "GET", path: "/sign-in?key=" + key}).want(200); !strings.Contains(string(p.body), "used already") {
		t.Error("the page does not say that the link was used")
	}
	if out := s.do(ask{method: "POST", path: "/sign-out", as: "me"}).want(303); (&http.Response{Header: out.header}).Cookies()[0].MaxAge >= 0 {
		t.Error("the cookie stays")
	}
	if a := s.do(ask{method: "GET", path: "/add", as: "me"}).want(303); a.header.Get("Location") != "/sign-in?next=%2Fadd" {
		t.Errorf("sent to %q", a.header.Get("Location"))
	}
}

func TestNextStaysHere(t *testing.T) {
	s := newStack(t)
	for next, want := range map[string]string{
		"":                             "/",
		"/":                            "/",
		"/cases/x?t=421.3&rec=r2":      "/cases/x?t=421.3&rec=r2",
		"/cases/x#n4":                  "/cases/x#n4",
		"https://elsewhere.example/":   "/",
		"//elsewhere.example/":         "/",
		"///elsewhere.example/":        "/",
		`/\elsewhere.example`:          "/",
		`\\elsewhere.example`:          "/",
		"/\t/elsewhere.example":        "/",
		"/\n/elsewhere.example":        "/",
		" //elsewhere.example":         "/",
		"elsewhere.example":            "/",
		"javascript:alert(1)":          "/",
		"http:elsewhere.example":       "/",
		"/%0d%0aSet-Cookie:%20a=b":     "/%0d%0aSet-Cookie:%20a=b",
		"/%2F/elsewhere.example":       "/%2F/elsewhere.example",
		"/..//elsewhere.example":       "/..//elsewhere.example",
		"/cases/x\r\nSet-Cookie: a=b":  "/",
		"?q=loose":                     "/",
		"//user@elsewhere.example":     "/",
		"https:///elsewhere.example":   "/",
		"/sign-in?next=//e.example":    "/sign-in?next=//e.example",
		"mailto:somebody@example.test": "/",
	} {
		t.Run(next, func(t *testing.T) {
			a := s.do(ask{method: "POST", path: "/sign-in", body: url.Values{"key": {s.link()}, "next": {next}}}).want(303)
			got := a.header.Get("Location")
			if got != want {
				t.Errorf("sent to %q, want %q", got, want)
			}
			base, err := url.Parse("http://here.example/sign-in")
			if err != nil {
				t.Fatal(err)
			}
			if to, err := base.Parse(got); err != nil || to.Host != "here.example" {
				t.Errorf("that is %v, %v", to, err)
			}
		})
	}
}

func TestWrongKeys(t *testing.T) {
	s := newStack(t)
	s.keys["forged"] = "forged"
	s.do(ask{method: "GET", path: "/api/cases", as: "forged"}).refused(401, "signed in")
	s.do(ask{method: "GET", path: "/api/cases", head: []string{"Authorization", "Bearer wrong"}}).refused(401, "signed in")
	s.do(ask{method: "GET", path: "/api/cases", head: []string{"Authorization", "Bearer "}}).refused(401, "signed in")
	s.do(ask{method: "GET", path: "/api/jobs", local: true}).want(200)
	acc, err := s.desk.Accounts(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	for _, a := range acc {
		if a.Role == consent.Curator {
			if err := s.desk.Disable(t.Context(), consent.Viewer{Account: "local", Role: consent.Steward}, a.ID); err != nil {
				t.Fatal(err)
			}
		}
	}
	s.do(ask{method: "GET", path: "/api/cases", as: consent.Curator}).refused(401, "signed in")
}
