package e2e

import (
	"archive/zip"
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// taken is an export as the browser got it.
type taken struct {
	Href, Type, How string
	Status          int
	Size            int
	Head            string // the first bytes, as Latin 1
}

// Everything on the record's menu can be taken away and is what it says.
func TestTakeAwayEachFormat(t *testing.T) {
	s := shared(t)
	b := newTab(t, s.server)
	b.open("/cases/" + s.story)
	got := eval[[]taken](b, `Promise.all([...document.querySelectorAll('.exports a')].map(async a => {
		const r = await fetch(a.href), bytes = new Uint8Array(await r.arrayBuffer());
		return { Href: a.getAttribute('href'), Type: r.headers.get('content-type'), How: r.headers.get('content-disposition'),
			Status: r.status, Size: bytes.length, Head: String.fromCharCode(...bytes.slice(0, 64)) };
	}))`)
	want := []struct{ format, kind, head, name string }{
		{"chapters", "text/vtt; charset=utf-8", "WEBVTT", "loose-bag-horizontal-chop.vtt"},
		{"captions", "text/vtt; charset=utf-8", "WEBVTT", "loose-bag-horizontal-chop.vtt"},
		{"summary", "text/markdown; charset=utf-8", "# Loose bag, horizontal chop", "loose-bag-horizontal-chop.md"},
		{"summary-html", "text/html; charset=utf-8", "<!DOCTYPE html>", "loose-bag-horizontal-chop.html"},
		{"folder", "application/zip", "PK\x03\x04", "loose-bag-horizontal-chop.zip"},
	}
	if len(got) != len(want) {
		t.Fatalf("the menu offers %d formats: %+v", len(got), got)
	}
	for i, w := range want {
		g := got[i]
		if g.Status != 200 || !strings.HasPrefix(g.Href, "/cases/"+s.story+"/export/"+w.format+"?") || g.Type != w.kind ||
			!strings.HasPrefix(strings.ToLower(g.Head), strings.ToLower(w.head)) || !strings.Contains(g.How, w.name) {
			t.Errorf("%s: %+v", w.format, g)
		}
	}
	if ps := b.trouble(); len(ps) > 0 {
		t.Errorf("the browser complained: %v", ps)
	}
}

// The printable page stands on its own and is drawn without complaint.
func TestPrintableSummary(t *testing.T) {
	s := shared(t)
	b := newTab(t, s.server)
	for _, id := range []string{s.story, s.hostile} {
		b.open("/cases/" + id + "/export/summary-html?audience=own+unit")
		if n := eval[int](b, `document.querySelectorAll('h1').length`); n != 1 {
			t.Errorf("%d headings of the first rank", n)
		}
		if eval[bool](b, `document.querySelectorAll('script, [onerror], img[src=x]').length > 0`) {
			t.Error("words of the case have become markup")
		}
		if ps := b.trouble(); len(ps) > 0 {
			t.Errorf("the browser complained: %v", ps)
		}
	}
}

// unzip gives the files of an archive by name, without their folder.
func unzip(t *testing.T, data []byte) map[string][]byte {
	t.Helper()
	z, err := zip.NewReader(bytes.NewReader(data), int64(len(data)))
	if err != nil {
		t.Fatal(err)
	}
	out := map[string][]byte{}
	for _, f := range z.File {
		r, err := f.Open()
		if err != nil {
			t.Fatal(err)
		}
		b, err := io.ReadAll(r)
		r.Close()
		if err != nil {
			t.Fatal(err)
		}
		out[filepath.Base(f.Name)] = b
	}
	return out
}

// A case that went out as a folder comes in again as the same case, and goes
// out again as the same bytes.
func TestTheFolderComesBackAsTheSameCase(t *testing.T) {
	s := shared(t)
	for name, id := range map[string]string{"story": s.story, "hostile": s.hostile, "old": s.old} {
		t.Run(name, func(t *testing.T) {
			first := unzip(t, s.get(t, "/cases/"+id+"/export/folder?audience=own+unit").body)
			dir := t.TempDir()
			for name, b := range first {
				write(t, filepath.Join(dir, name), string(b))
			}
			again := must(t, s.data, "add", dir)
			if again == id {
				t.Fatalf("adding gave the id %s once more", id)
			}
			s.filmReady(t, again)
			second := unzip(t, s.get(t, "/cases/"+again+"/export/folder?audience=own+unit").body)
			for name, b := range first {
				if strings.HasPrefix(name, "recording") || strings.HasSuffix(name, ".mp4") || strings.HasSuffix(name, ".webm") {
					continue // checked below: same words, and a film of the same length
				}
				if !bytes.Equal(b, second[name]) {
					t.Errorf("%s changed:\n%s\nbecame\n%s", name, b, second[name])
				}
			}
			if len(first) != len(second) || len(first) < 2 {
				t.Errorf("%d files went out, then %d", len(first), len(second))
			}
			if d := cmp.Diff(s.record(t, id), s.record(t, again)); d != "" {
				t.Errorf("the case changed (-was +is):\n%s", d)
			}
			s.drop(t, again)
		})
	}
}

// record is a case as the API tells it, without what names this copy of it.
func (s *server) record(t *testing.T, id string) map[string]any {
	t.Helper()
	var c map[string]any
	if err := json.Unmarshal(s.get(t, "/api/cases/"+id).body, &c); err != nil {
		t.Fatal(err)
	}
	for _, k := range []string{"id", "rev", "films"} {
		delete(c, k)
	}
	recordings, _ := c["recordings"].([]any)
	for _, r := range recordings {
		for _, k := range []string{"hash", "film"} {
			delete(r.(map[string]any), k)
		}
	}
	notes, _ := c["notes"].([]any)
	for _, n := range notes {
		for _, k := range []string{"id", "rev"} {
			delete(n.(map[string]any), k)
		}
	}
	return c
}

// drop removes a case, so that the common library stays as it was.
func (s *server) drop(t *testing.T, id string) {
	t.Helper()
	if a := s.ask(t, "DELETE", "/api/cases/"+id, s.session, nil, "If-Match", "*"); a.StatusCode != 204 {
		t.Errorf("removing %s: %s %s", id, a.Status, a.body)
	}
}

// What the command writes is what the browser gets.
func TestExportByCommandIsTheSame(t *testing.T) {
	s := shared(t)
	for _, format := range []string{"chapters", "captions", "summary", "summary-html"} {
		out := filepath.Join(t.TempDir(), "out")
		must(t, s.data, "export", s.story, format, "-o", out)
		b, err := os.ReadFile(out)
		if err != nil {
			t.Fatal(err)
		}
		if web := s.get(t, fmt.Sprintf("/cases/%s/export/%s?audience=own+unit", s.story, format)).body; !bytes.Equal(b, web) {
			t.Errorf("%s by command:\n%s\nby browser:\n%s", format, b, web)
		}
	}
}
