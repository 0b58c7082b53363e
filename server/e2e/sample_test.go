package e2e

import (
	"strings"
	"testing"
)

// What a stranger meets first: an empty folder, the sample being drawn, and a
// library that can be searched before all of it is there. A start that was cut
// short is gone on with, and what was made is not made again.
func TestTheSampleLibraryIsMadeWhileOneLooks(t *testing.T) {
	data := t.TempDir()
	s := serveAt(t, data, "127.0.0.1:0", "--sample").signedIn(t)
	found := sideport(t, data, "find", "loose", "bag", "horizontal", "chop")
	if found.code != 0 || !strings.Contains(found.out, "03:50  Horizontal chop") {
		t.Fatalf("the sample case of the README is not found at its second: %d\n%s%s", found.code, found.out, found.err)
	}
	id, _, _ := strings.Cut(found.out, " ")
	s.filmReady(t, id)
	if a := s.ask(t, "GET", "/cases/"+id+"/recordings/r1/film", s.session, nil, "Range", "bytes=0-99"); a.StatusCode != 206 || a.Header.Get("Content-Type") != "video/mp4" {
		t.Errorf("its film answers %s", a.Status)
	}
	if a := s.get(t, "/cases/"+id+"/recordings/r1/poster.jpg"); a.StatusCode != 200 {
		t.Errorf("its poster answers %s", a.Status)
	}
	s.kill()

	again := serveAt(t, data, "127.0.0.1:0", "--sample").signedIn(t)
	found = sideport(t, data, "find", "loose", "bag", "horizontal", "chop")
	if n := strings.Count(found.out, "Loose bag, horizontal chop"); n != 1 {
		t.Errorf("after a second start the case is there %d times:\n%s", n, found.out)
	}
	again.stop()
	if got := sideport(t, data, "check"); got.code != 0 {
		t.Errorf("check: %d\n%s%s", got.code, got.out, got.err)
	}
}
