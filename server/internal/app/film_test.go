package app

import (
	"bytes"
	"os"
	"testing"

	"sideport/annotate/consent"
)

func TestFilmByRanges(t *testing.T) {
	s := newStack(t)
	id := s.add(caseFolder(t))
	path := "/cases/" + id + "/recordings/r1/film"
	whole := s.do(ask{method: "GET", path: path, as: consent.Trainee}).want(200)
	tag := whole.header.Get("ETag")
	if len(whole.body) < 1000 || tag == "" || whole.header.Get("Accept-Ranges") != "bytes" || whole.header.Get("Content-Type") != "video/mp4" {
		t.Fatalf("the film came as %d bytes, %v", len(whole.body), whole.header)
	}
	tests := []struct {
		name, method string
		head         []string
		status       int
		body         []byte
		ranges       string
	}{
		{"from the middle", "GET", []string{"Range", "bytes=100-199"}, 206, whole.body[100:200], "bytes 100-199/"},
		{"to the end", "GET", []string{"Range", "bytes=-10"}, 206, whole.body[len(whole.body)-10:], "bytes "},
		{"the same film still", "GET", []string{"Range", "bytes=0-0", "If-Range", tag}, 206, whole.body[:1], "bytes 0-0/"},
		{"another film by now", "GET", []string{"Range", "bytes=0-0", "If-Range", `"other"`}, 200, whole.body, ""},
		{"known already", "GET", []string{"If-None-Match", tag}, 304, nil, ""},
		{"beyond the end", "GET", []string{"Range", "bytes=99999999-"}, 416, []byte("invalid range: failed to overlap\n"), "bytes */"},
		{"head", "HEAD", nil, 200, nil, ""},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			a := s.do(ask{method: tt.method, path: path, as: consent.Trainee, head: tt.head}).want(tt.status)
			if !bytes.Equal(a.body, tt.body) {
				t.Errorf("%d bytes, want %d", len(a.body), len(tt.body))
			}
			if got := a.header.Get("Content-Range"); !bytes.HasPrefix([]byte(got), []byte(tt.ranges)) || (got == "") != (tt.ranges == "") {
				t.Errorf("Content-Range %q, want %q …", got, tt.ranges)
			}
			if tt.status != 416 { // net/http takes Cache-Control off its own errors
				protected(t, a)
			}
		})
	}
}

// What is derived can be deleted at any time: it is said to be on its way, and
// is made again.
func TestFilmThatIsGoneIsMadeAgain(t *testing.T) {
	s := newStack(t)
	id := s.add(caseFolder(t))
	path := "/cases/" + id + "/recordings/r1/film"
	before := s.do(ask{method: "GET", path: path, as: consent.Curator}).want(200)
	made, err := s.store.Prepared(t.Context(), id)
	if err != nil {
		t.Fatal(err)
	}
	if err := s.vault.Remove(made["r1"].Play); err != nil {
		t.Fatal(err)
	}
	a := s.do(ask{method: "GET", path: path, as: consent.Curator}).want(503)
	if a.header.Get("Retry-After") == "" {
		t.Error("503 without Retry-After")
	}
	s.settle()
	after := s.do(ask{method: "GET", path: path, as: consent.Curator}).want(200)
	if !bytes.Equal(before.body, after.body) {
		t.Error("another film came back")
	}
}

// Neither page nor original is sent for a name that climbs.
func TestNamesThatClimb(t *testing.T) {
	s := newStack(t)
	id := s.add(caseFolder(t))
	for _, path := range []string{
		"/static/..%2f..%2flibrary.db", "/cases/" + id + "/stills/..%2f..%2fx.jpg", "/cases/" + id + "/recordings/..%2fr1/film",
		"/cases/" + id + "/recordings/r1/captions/..%2fen.vtt", "/cases/..%2f" + id, "/uploads/..%2flibrary.db",
	} {
		if a := s.do(ask{method: "GET", path: path, as: consent.Steward}); a.status != 404 && a.status != 405 {
			t.Errorf("%s: %d", a.what, a.status)
		}
	}
	if _, err := os.Stat(s.data + "/library.db"); err != nil {
		t.Error(err)
	}
}
