package e2e

import (
	"bytes"
	"fmt"
	"net/url"
	"path/filepath"
	"strings"
	"testing"
)

// Nothing that a person wrote or searched, and nothing that a recorder wrote
// into a film, reaches the log; nor does a recorder's word leave with the film.
func TestTheLogHoldsNobodysWords(t *testing.T) {
	words := map[string]string{"title": "Zwirbelquast", "note": "Mondkelchner", "search": "Taufichtel", "file": "Krummwelp", "caption": "Silbergnom", "nonsense": "Wackelprim"}
	data := t.TempDir()
	s := serve(t, data).signedIn(t)
	b := newTab(t, s)

	named := filepath.Join(t.TempDir(), words["file"]+".mp4")
	write(t, named, read(t, film(t, "short.mp4")))
	if !strings.Contains(read(t, named), marker) {
		t.Fatal("the film does not hold the marker: no test of anything")
	}
	b.open("/add")
	b.choose("#film", named)
	b.until(`document.querySelector('[data-say]').textContent.includes('is here')`)
	b.choose("#captions", write(t, filepath.Join(t.TempDir(), words["file"]+".vtt"), "WEBVTT\n\n00:01.000 --> 00:02.000\n"+words["caption"]+"\n"))
	b.fill("#title", words["title"])
	b.follow("main .acts button")
	id := strings.TrimPrefix(strings.Split(b.where(), "?")[0], "/cases/")
	s.filmReady(t, id)

	b.open("/cases/" + id + "/notes/new?kind=remark&t=3")
	b.fill("#words", words["note"])
	b.follow("form.sheet .acts button")
	b.open("/cases/" + id + "/notes/new?kind=remark&t=3")
	b.fill("#from", words["nonsense"])
	b.fill("#words", words["note"])
	b.follow("form.sheet .acts button")
	b.open("/?q=" + words["search"] + "+" + words["note"])
	b.open("/cases/" + id + "/details")
	b.fill(`[name="consent.audience"]`, "o")
	b.fill(`[name="consent.obtained"]`, "2026-03-01")
	b.follow("form.sheet .acts button")
	for _, format := range []string{"chapters", "captions", "summary", "summary-html", "folder"} {
		if a := s.get(t, "/cases/"+id+"/export/"+format); a.StatusCode != 200 {
			t.Errorf("export %s: %s", format, a.Status)
		}
	}
	s.ask(t, "PUT", "/api/cases/"+id, s.session, strings.NewReader(fmt.Sprintf(`{"title": %q, "colour": "red"}`, words["nonsense"])), "If-Match", `"1"`, "Content-Type", "application/json")
	s.get(t, "/"+words["nonsense"]+"?q="+url.QueryEscape(words["search"]))
	s.postFilm(t, words["title"], words["file"]+".mp4", words["nonsense"])
	sideport(t, data, "find", words["search"])
	bad := folder(t, "title: "+words["title"]+"\nrecordings: [{file: "+words["file"]+".mp4}]\n", nil, words["file"]+".mp4", words["nonsense"])
	if got := sideport(t, data, "add", bad); got.code != 2 {
		t.Errorf("add ended with %d", got.code)
	}
	must(t, data, "check")

	for what, word := range words {
		if log := s.log.String(); strings.Contains(strings.ToLower(log), strings.ToLower(word)) {
			t.Errorf("the log holds the %s:\n%s", what, log)
		}
	}
	log := s.log.String()
	for what, word := range map[string]string{"the recorder's word": marker, "the session": s.session, "the link's key": s.link[strings.Index(s.link, "=")+1:]} {
		if strings.Contains(log, word) {
			t.Errorf("the log holds %s:\n%s", what, log)
		}
	}
	if !strings.Contains(log, "upload complete") {
		t.Errorf("the log says nothing at all: no test of anything\n%s", log)
	}

	for _, path := range []string{"/cases/" + id, "/cases/" + id + "/recordings/r1/film", "/cases/" + id + "/recordings/r1/poster.jpg", "/cases/" + id + "/export/folder", "/api/cases/" + id} {
		a := s.get(t, path)
		if a.StatusCode != 200 || len(a.body) < 100 {
			t.Errorf("%s: %s", path, a.Status)
		}
		for what, word := range map[string]string{"the recorder's word": marker, "the file's name": words["file"]} {
			if bytes.Contains(a.body, []byte(word)) {
				t.Errorf("%s holds %s", path, what)
			}
		}
	}
}
