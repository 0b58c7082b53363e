package app

import (
	"bytes"
	"mime/multipart"
	"net/url"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"sideport/annotate"
	"sideport/annotate/consent"
)

// part is a field of a multipart form; one with a file name is a file.
type part struct{ name, file, body string }

func multi(t *testing.T, parts ...part) (body []byte, head []string) {
	t.Helper()
	var b bytes.Buffer
	w := multipart.NewWriter(&b)
	for _, p := range parts {
		to, err := w.CreateFormField(p.name)
		if p.file != "" {
			to, err = w.CreateFormFile(p.name, p.file)
		}
		if err == nil {
			_, err = to.Write([]byte(p.body))
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	return b.Bytes(), []string{"Content-Type", w.FormDataContentType()}
}

func (s *stack) post(path string, as consent.Role, parts ...part) answer {
	s.t.Helper()
	body, head := multi(s.t, parts...)
	return s.do(ask{method: "POST", path: path, as: as, body: body, head: head})
}

// elsewhere has temporary files made in a folder of the test's own.
func elsewhere(t *testing.T) string {
	t.Helper()
	dir := t.TempDir()
	t.Setenv("TMPDIR", dir)
	return dir
}

func names(t *testing.T, dir string) []string {
	t.Helper()
	entries, err := os.ReadDir(dir)
	if err != nil {
		t.Fatal(err)
	}
	var out []string
	for _, e := range entries {
		out = append(out, e.Name())
	}
	return out
}

func TestAddByAPlainForm(t *testing.T) {
	tmp := elsewhere(t)
	s := newStack(t)
	film := part{"film", "my film.mp4", string(filmBytes(t))}
	large := part{"film", "long.mp4", strings.Repeat("no film ", 5<<20)} // beyond what is kept in memory
	title := part{"title", "", "By hand"}
	tests := []struct {
		name   string
		parts  []part
		status int
		say    string
	}{
		{"film and title", []part{title, film, {"captions", "a.vtt", captions}}, 303, ""},
		{"with a case file", []part{film, {"case_yaml", "case.yaml", "title: Described\nrecordings: [{file: x.mp4}]\n"}}, 303, ""},
		{"no title", []part{film}, 422, "needs a title"},
		{"no film", []part{title, {"film", "x.mp4", "words"}}, 422, ""},
		{"a large file that is no film", []part{title, large}, 422, ""},
		{"captions that are none", []part{title, film, {"captions", "a.vtt", "\x00"}}, 422, "aption"},
		{"a case file with a mistake", []part{film, {"case_yaml", "case.yaml", "titel: x\n"}}, 422, "titel"},
		{"a case file of 50 MB", []part{film, {"case_yaml", "case.yaml", strings.Repeat("# words\n", 50<<17)}}, 422, "too large"},
		{"an upload that is gone", []part{title, {"upload", "", "/uploads/GONE"}}, 422, "not there any more"},
	}
	cases := 0
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			a := s.post("/add", consent.Curator, tt.parts...).want(tt.status)
			if !strings.Contains(string(a.body), tt.say) {
				t.Errorf("the page does not say %q: %.2000s", tt.say, a.body)
			}
			if tt.status == 303 {
				cases++
				if to := a.header.Get("Location"); !strings.HasPrefix(to, "/cases/") || !strings.HasSuffix(to, "?done=added") {
					t.Errorf("sent to %q", to)
				}
			}
			if n, err := s.store.Count(t.Context()); err != nil || n != cases {
				t.Errorf("%d cases are stored, %v; want %d", n, err, cases)
			}
			if left := names(t, tmp); len(left) > 0 {
				t.Errorf("left in the folder for temporary files: %q", left)
			}
		})
	}
	s.settle()
	if rep, err := s.Check(t.Context()); err != nil || len(rep.Problems) > 0 {
		t.Errorf("left in the vault: %+v, %v", rep.Problems, err)
	}
}

// Nobody who is not signed in can fill the disk by way of a form.
func TestFormsAreLimited(t *testing.T) {
	tmp := elsewhere(t)
	s := newStack(t)
	for path, role := range map[string]consent.Role{"/sign-in": "", "/sign-out": "", "/cases/x/notes": consent.Curator} {
		s.post(path, role, part{"key", "", "x"}, part{"x", "x.bin", strings.Repeat("x", 40<<20)})
		if left := names(t, tmp); len(left) > 0 {
			t.Errorf("%s left %q", path, left)
		}
	}
}

// upload brings a film in by parts and gives its address.
func (s *stack) upload(content []byte, as consent.Role) string {
	s.t.Helper()
	a := s.do(ask{method: "POST", path: "/uploads/", as: as, head: []string{"Tus-Resumable", "1.0.0", "Upload-Length", strconv.Itoa(len(content))}}).want(201)
	at := a.header.Get("Location")
	half := len(content) / 2
	for _, p := range [][2]int{{0, half}, {half, len(content)}} {
		s.do(ask{method: "PATCH", path: at, as: as, body: content[p[0]:p[1]], head: []string{"Tus-Resumable", "1.0.0", "Upload-Offset", strconv.Itoa(p[0]), "Content-Type", "application/offset+octet-stream"}}).want(204)
	}
	return at
}

// A mistake beside the film must not cost the film.
func TestAnUploadOutlastsAMistake(t *testing.T) {
	s := newStack(t)
	at := s.upload(filmBytes(t), consent.Curator)
	s.post("/add", consent.Curator, part{"upload", "", at}, part{"case_yaml", "case.yaml", "titel: x\n"}).want(422)
	s.do(ask{method: "POST", path: "/api/cases", as: consent.Curator, body: object{"upload": at}}).refused(422, "needs a title")
	s.do(ask{method: "POST", path: "/api/cases", as: consent.Steward, body: object{"upload": at, "title": "Somebody else's"}}).refused(404, "no such upload")
	s.do(ask{method: "HEAD", path: at, as: consent.Curator, head: []string{"Tus-Resumable", "1.0.0"}}).want(200)
	s.post("/add", consent.Curator, part{"upload", "", at}, part{"title", "", "Mended"}).want(303)
	s.do(ask{method: "HEAD", path: at, as: consent.Curator, head: []string{"Tus-Resumable", "1.0.0"}}).want(404)
	s.settle()
	if rep, err := s.Check(t.Context()); err != nil || len(rep.Problems) > 0 || rep.Cases != 1 {
		t.Errorf("afterwards: %+v, %v", rep, err)
	}
	if left := names(t, filepath.Join(s.data, "uploads")); len(left) > 0 {
		t.Errorf("left of the upload: %q", left)
	}
}

// Every kind of note can be written by its form, and the form of what was
// written, sent back as it stands, changes nothing.
func TestNoteForms(t *testing.T) {
	s := newStack(t)
	id := s.add(caseFolder(t))
	forms := map[string]url.Values{
		"stage":          {"from": {"00:06"}, "to": {"00:07.5"}, "concept": {"cortex removal"}},
		"technique":      {"from": {"1"}, "concept": {"horizontal chop"}, "words": {"line one\r\nline two"}},
		"factor":         {"from": {"00:01"}, "concept": {"loose bag"}, "field.grade": {"4 clock hours"}},
		"setting":        {"from": {"00:02"}, "field.mode": {"epinucleus"}, "field.values": {"vacuum 350 mmHg\r\nflow 28 mL/min"}, "field.usual": {"vacuum 400 mmHg"}},
		"decision":       {"from": {"00:05"}, "field.from": {"chop"}, "field.to": {"hooks"}, "field.sign": {"it moves"}, "field.because": {"loose"}},
		"complication":   {"from": {"00:05"}, "to": {"00:06"}, "words": {"a strand"}},
		"teaching-point": {"from": {"00:05"}, "words": {"wait"}, "pencilled": {"true"}},
		"remark":         {"from": {"00:05"}, "words": {"quiet"}},
	}
	for _, k := range annotate.Kinds() {
		t.Run(k.ID, func(t *testing.T) {
			had := s.record(id)
			form := forms[k.ID]
			if form == nil {
				t.Fatal("this kind has no form here")
			}
			form.Set("kind", k.ID)
			s.do(ask{method: "POST", path: "/cases/" + id + "/notes", as: consent.Curator, body: form}).want(303)
			var n annotate.Note
			for _, x := range s.record(id).Notes {
				if _, ok := had.Note(x.ID); !ok {
					n = x
				}
			}
			if n.Kind != k.ID || n.Rev == 0 {
				t.Fatalf("kept %+v", n)
			}
			page := "/cases/" + id + "/notes/" + n.ID
			again := formOf(t, s.do(ask{method: "GET", path: page, as: consent.Curator}).want(200).body)
			again.Set("kind", k.ID)
			s.do(ask{method: "POST", path: page, as: consent.Curator, body: again}).want(303)
			c := s.record(id)
			m, _ := c.Note(n.ID)
			if m.Rev == n.Rev {
				t.Error("it was not kept again")
			}
			m.Rev = n.Rev
			if !sameJSON(t, n, m) {
				t.Errorf("the form, sent back as it stood, made\n%+v of\n%+v; the form was %v", m, n, again)
			}
		})
	}
}

func TestNoteFormsRefuse(t *testing.T) {
	s := newStack(t)
	id := s.add(caseFolder(t))
	c := s.record(id)
	n := c.Notes[0]
	page := "/cases/" + id + "/notes/" + n.ID
	post := func(path string, form url.Values) answer {
		return s.do(ask{method: "POST", path: path, as: consent.Curator, body: form})
	}
	good := url.Values{"kind": {"remark"}, "from": {"00:01"}, "words": {"x"}, "rev": {strconv.FormatUint(n.Rev, 10)}}
	with := func(key, value string) url.Values {
		f := url.Values{}
		for k, v := range good {
			f[k] = v
		}
		f.Set(key, value)
		return f
	}
	for name, tt := range map[string]struct {
		path   string
		form   url.Values
		status int
		say    string
	}{
		"without its rev":   {page, with("rev", ""), 428, "If-Match"},
		"another rev":       {page, with("rev", "999"), 422, "Somebody else"},
		"no such note":      {"/cases/" + id + "/notes/mine", good, 404, "no note mine"},
		"no such kind":      {page, with("kind", "dream"), 422, "not a kind"},
		"no time":           {page, with("from", "soon"), 422, "is not a time"},
		"beyond the film":   {page, with("from", "55:00"), 422, "after the end"},
		"delete, no rev":    {page + "/delete", url.Values{}, 428, ""},
		"delete, other rev": {page + "/delete", with("rev", "999"), 409, "Somebody else"},
	} {
		t.Run(name, func(t *testing.T) {
			if a := post(tt.path, tt.form).want(tt.status); !strings.Contains(string(a.body), tt.say) {
				t.Errorf("the page does not say %q: %s", tt.say, a.body)
			}
		})
	}
	if !sameJSON(t, c, s.record(id)) {
		t.Error("the record has changed")
	}
	post(page+"/delete", good).want(303)
	if c := s.record(id); len(c.Notes) != 6 {
		t.Errorf("%d notes are left", len(c.Notes))
	}
}

func TestDetailsForm(t *testing.T) {
	s := newStack(t)
	id := s.add(caseFolder(t))
	before := s.record(id)
	page := "/cases/" + id + "/details"
	form := formOf(t, s.do(ask{method: "GET", path: page, as: consent.Curator}).want(200).body)
	s.do(ask{method: "POST", path: page, as: consent.Curator, body: form}).want(303)
	after := s.record(id)
	after.Rev = before.Rev
	if !sameJSON(t, before, after) {
		t.Errorf("the form, sent back as it stood, made\n%+v of\n%+v", after, before)
	}
	s.do(ask{method: "POST", path: page, as: consent.Curator, body: form}).want(422) // its rev is over
	form.Set("rev", strconv.FormatUint(s.record(id).Rev, 10))
	form.Set("consent.obtained", "yesterday")
	if a := s.do(ask{method: "POST", path: page, as: consent.Curator, body: form}).want(422); !strings.Contains(string(a.body), "is not a day") {
		t.Error("the page does not say what is wrong")
	}
	form.Del("rev")
	s.do(ask{method: "POST", path: page, as: consent.Curator, body: form}).want(428)
}
