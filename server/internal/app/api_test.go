package app

import (
	"archive/tar"
	"bytes"
	"errors"
	"io"
	"net/http"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"sideport/annotate"
	"sideport/annotate/consent"
	"sideport/server/internal/library"
)

// problem is a problem detail as a program reads it.
type problem struct {
	Type, Title, Detail, Reference string
	Status                         int
	Problems                       []annotate.Problem
}

// refused holds an answer against what RFC 9457 and we promise.
func (a answer) refused(status int, say string) problem {
	a.t.Helper()
	a.want(status)
	var p problem
	a.into(&p)
	if got := a.header.Get("Content-Type"); got != "application/problem+json" {
		a.t.Errorf("%s: as %q", a.what, got)
	}
	if p.Type != "about:blank" || p.Title == "" || p.Status != status || !strings.Contains(string(a.body), say) {
		a.t.Errorf("%s: %s, want %q in it", a.what, a.body, say)
	}
	return p
}

type object = map[string]any

func (s *stack) record(id string) annotate.Case {
	s.t.Helper()
	c, err := s.store.Case(s.t.Context(), id)
	if err != nil {
		s.t.Fatal(err)
	}
	return c
}

func TestAPIAddsACase(t *testing.T) {
	s := newStack(t)
	dir := caseFolder(t, "concept: horizontal-chop, ", "concept: marigold manoeuvre, ")
	a := s.do(ask{method: "POST", path: "/api/cases", local: true, body: object{"folder": dir}}).want(201)
	var got library.Added
	a.into(&got)
	if got.ID == "" || got.Title != "Loose bag, horizontal chop" || a.header.Get("Location") != "/api/cases/"+got.ID {
		t.Errorf("added %+v at %q", got, a.header.Get("Location"))
	}
	if len(got.Problems) != 1 || !got.Problems[0].Warning || !strings.Contains(got.Problems[0].Say, "marigold manoeuvre") || got.Problems[0].Line == 0 {
		t.Errorf("problems %+v, want one warning of the unknown term with its line", got.Problems)
	}

	s.do(ask{method: "POST", path: "/api/cases", as: consent.Steward, body: object{"folder": dir}}).refused(403, "own commands alone")
	s.do(ask{method: "POST", path: "/api/cases", local: true, body: object{"folder": filepath.Join(dir, "none")}}).refused(404, "cannot be opened")
	p := s.do(ask{method: "POST", path: "/api/cases", local: true, body: object{"folder": caseFolder(t, `"00:06", words`, `"99:06", words`)}}).refused(422, "nothing was stored")
	if len(p.Problems) != 1 || p.Problems[0].Line == 0 || p.Problems[0].File != "case.yaml" {
		t.Errorf("problems %+v, want one with its line", p.Problems)
	}
	s.do(ask{method: "POST", path: "/api/cases", as: consent.Curator, body: object{"title": "Only a title"}}).want(201)
	s.do(ask{method: "POST", path: "/api/cases", as: consent.Curator, body: object{"upload": "/uploads/NOPE"}}).refused(404, "no such upload")
	for body, say := range map[string]string{`{"titel": 1}`: "unknown field", `{`: "cannot be read", `{} {}`: "something follows", ``: "cannot be read", `{"title": 7}`: "cannot be read"} {
		s.do(ask{method: "POST", path: "/api/cases", as: consent.Curator, body: body}).refused(422, say)
	}
	big := bytes.Repeat([]byte(" "), 9<<20)
	s.do(ask{method: "POST", path: "/api/cases", as: consent.Curator, body: big}).refused(413, "more than this address takes")
	if n, err := s.store.Count(t.Context()); err != nil || n != 2 {
		t.Errorf("%d cases, %v; want the two that were good", n, err)
	}
}

func TestAPIHeadOfACase(t *testing.T) {
	s := newStack(t)
	id := s.add(caseFolder(t))
	path := "/api/cases/" + id
	tag := s.do(ask{method: "GET", path: path, as: consent.Curator}).want(200).header.Get("ETag")
	put := func(match string, body any) answer {
		var head []string
		if match != "" {
			head = []string{"If-Match", match}
		}
		return s.do(ask{method: "PUT", path: path, as: consent.Curator, body: body, head: head})
	}
	put("", object{"title": "x"}).refused(428, "If-Match")
	put(`"99999"`, object{"title": "x"}).refused(412, "since you read it")
	put(`nonsense`, object{"title": "x"}).refused(412, "since you read it")
	put(tag, object{"eye": "middle"}).refused(422, "middle")

	before := s.record(id)
	a := put(tag, object{"title": "Another title", "factors": []object{{"term": object{"words": "small pupil"}}}, "discretion": true}).want(200)
	after := s.record(id)
	if a.header.Get("ETag") == tag || after.Rev == before.Rev {
		t.Error("the rev stands still")
	}
	want := before
	want.Title, want.Discretion, want.Rev = "Another title", true, after.Rev
	want.Factors = []annotate.Factor{{Term: annotate.Term{Concept: "f.small-pupil"}}} // as a whole: no grade is left of the one before
	if d := cmp.Diff(want, after); d != "" {
		t.Errorf("what was not sent changed too (-want +got):\n%s", d)
	}
	put(tag, object{"title": "Too late"}).refused(412, "since you read it")
	put("*", object{"factors": []object{}}).want(200)
	if c := s.record(id); len(c.Factors) != 0 {
		t.Errorf("factors %+v, want none", c.Factors)
	}
}

// What has an address of its own cannot be changed by way of the head.
func TestAPIHeadKeepsWhatIsNotItsOwn(t *testing.T) {
	s := newStack(t)
	id := s.add(caseFolder(t))
	before := s.record(id)
	for key, value := range map[string]any{
		"id": "other", "rev": 7, "notes": []any{}, "recordings": []any{}, "stills": []object{{"id": "s1", "hash": before.Recordings[0].Hash}}, "films": object{},
	} {
		t.Run(key, func(t *testing.T) {
			s.do(ask{method: "PUT", path: "/api/cases/" + id, as: consent.Curator, head: []string{"If-Match", "*"}, body: object{key: value, "summary": "x"}}).refused(422, key)
			if d := cmp.Diff(before, s.record(id)); d != "" {
				t.Errorf("it changed (-want +got):\n%s", d)
			}
		})
	}
}

func TestAPINotes(t *testing.T) {
	s := newStack(t)
	id := s.add(caseFolder(t))
	notes := "/api/cases/" + id + "/notes"
	var n struct {
		annotate.Note
		Problems []annotate.Problem
	}
	a := s.do(ask{method: "POST", path: notes, as: consent.Curator, body: object{"kind": "technique", "span": object{"from": 4, "to": 5}, "term": object{"words": "stop and chop"}}}).want(201)
	a.into(&n)
	if n.Term.Concept != "t.stop-chop" && n.Term.Concept == "" || n.State != annotate.Inked || a.header.Get("Location") != notes+"/"+n.ID {
		t.Errorf("note %+v at %q", n.Note, a.header.Get("Location"))
	}
	tag := a.header.Get("ETag")
	if tag != `"`+strconv.FormatUint(n.Rev, 10)+`"` {
		t.Errorf("ETag %s of rev %d", tag, n.Rev)
	}
	change := object{"kind": "remark", "span": object{"from": 4, "to": 4}, "words": "quiet"}
	s.do(ask{method: "PUT", path: notes + "/" + n.ID, as: consent.Curator, body: change}).refused(428, "If-Match")
	s.do(ask{method: "PUT", path: notes + "/" + n.ID, as: consent.Curator, body: change, head: []string{"If-Match", `"1"`}}).refused(412, "since you read it")
	b := s.do(ask{method: "PUT", path: notes + "/" + n.ID, as: consent.Curator, body: change, head: []string{"If-Match", tag}}).want(200)
	s.do(ask{method: "PUT", path: notes + "/none", as: consent.Curator, body: change, head: []string{"If-Match", "*"}}).refused(404, "no note none")

	s.do(ask{method: "POST", path: notes, as: consent.Curator, body: object{"kind": "daydream", "span": object{"from": 4, "to": 4}}}).refused(422, "not a kind")
	s.do(ask{method: "POST", path: notes, as: consent.Curator, body: object{"kind": "stage", "span": object{"from": 4, "to": 5}, "term": object{"words": "hydrodissection"}}}).refused(422, "before the one")
	s.do(ask{method: "POST", path: notes, as: consent.Curator, body: object{"id": "mine", "kind": "remark", "words": "x", "span": object{"from": 4, "to": 4}}}).refused(422, "unknown field")
	s.do(ask{method: "POST", path: "/api/cases/none/notes", as: consent.Curator, body: change}).refused(404, "no case none")
	s.do(ask{method: "POST", path: notes, as: consent.Curator, body: object{"kind": "remark", "words": "x", "span": object{"from": 1e9, "to": 1e9}}}).refused(422, "hours")

	s.do(ask{method: "DELETE", path: notes + "/" + n.ID, as: consent.Curator}).refused(428, "If-Match")
	s.do(ask{method: "DELETE", path: notes + "/" + n.ID, as: consent.Curator, head: []string{"If-Match", tag}}).refused(412, "")
	s.do(ask{method: "DELETE", path: notes + "/" + n.ID, as: consent.Curator, head: []string{"If-Match", b.header.Get("ETag")}}).want(204)
	s.do(ask{method: "DELETE", path: notes + "/" + n.ID, as: consent.Curator, head: []string{"If-Match", "*"}}).refused(404, "no note")
	c := s.record(id)
	if _, ok := c.Note(n.ID); ok {
		t.Error("the note is still there")
	}
}

func TestAPICaptions(t *testing.T) {
	s := newStack(t)
	id := s.add(caseFolder(t))
	path := "/api/cases/" + id + "/recordings/r1/captions/"
	put := func(lang, body string, head ...string) answer {
		return s.do(ask{method: "PUT", path: path + lang, as: consent.Curator, body: body, head: head})
	}
	put("de", captions).refused(428, "If-Match")
	put("de", captions, "If-Match", `"77"`).refused(412, "")
	a := put("de", captions, "If-Match", `"1"`).want(200)
	if !strings.Contains(string(a.body), `"cues":2`) || a.header.Get("ETag") != `"2"` {
		t.Errorf("answer %s, ETag %s", a.body, a.header.Get("ETag"))
	}
	if got := s.do(ask{method: "GET", path: "/cases/" + id + "/recordings/r1/captions/de.vtt", as: consent.Trainee}).want(200); !strings.Contains(string(got.body), "Now the chop.") {
		t.Errorf("captions %q", got.body)
	}
	put("de", "no captions at all", "If-Match", "*").refused(422, "")
	put("..%2Fx", captions, "If-Match", "*").refused(422, "not a language tag")
	put("de", "", "If-Match", "*").want(200)
	s.do(ask{method: "GET", path: "/cases/" + id + "/recordings/r1/captions/de.vtt", as: consent.Trainee}).want(404)
	s.do(ask{method: "PUT", path: "/api/cases/" + id + "/recordings/r9/captions/de", as: consent.Curator, body: captions, head: []string{"If-Match", "*"}}).refused(404, "r9")
	put("de", strings.Repeat("x", 6<<20), "If-Match", "*").refused(413, "")
}

func TestAPIFinds(t *testing.T) {
	s := newStack(t)
	id := s.add(caseFolder(t))
	var got struct {
		Total int
		Hits  []struct {
			Case, Title string
			Moments     []struct {
				Note, Kind, Words, Href string
				At                      float64
			}
		}
		Facets     []struct{ ID string }
		Understood []struct{ Words, Concept string }
	}
	s.do(ask{method: "GET", path: "/api/cases?q=loose+bag+horizontal+chop", as: consent.Trainee}).want(200).into(&got)
	if got.Total != 1 || got.Hits[0].Case != id || len(got.Understood) != 2 || len(got.Facets) == 0 {
		t.Fatalf("found %+v", got)
	}
	if !slices.ContainsFunc(got.Hits[0].Moments, func(m struct {
		Note, Kind, Words, Href string
		At                      float64
	}) bool {
		return m.Kind == "technique" && m.At == 4 && m.Href == "/cases/"+id+"?t=4"
	}) {
		t.Errorf("moments %+v, want the chop at 4 s", got.Hits[0].Moments)
	}
	for _, path := range []string{"/api/cases", "/api/cases?sort=title", "/api/cases?page=0&limit=-1", "/api/cases?page=9999&limit=100", "/api/cases?eye=left", "/api/cases?q=" + strings.Repeat("word+", 500),
		"/api/cases?q=%22%22", "/api/cases?q=%00", "/api/cases?q=-", "/api/cases?as-written=x&q=loose+bag"} {
		s.do(ask{method: "GET", path: path, as: consent.Trainee}).want(200)
	}
	s.do(ask{method: "GET", path: "/api/cases?sort=none", as: consent.Trainee}).refused(422, "not an order")
	for _, path := range []string{"/api/suggest?q=hor", "/api/suggest", "/api/terms?q=hor&kind=technique", "/api/formats", "/api/kinds", "/api/version"} {
		s.do(ask{method: "GET", path: path, as: consent.Trainee}).want(200)
	}
}

func TestAPIUpkeep(t *testing.T) {
	s := newStack(t)
	id := s.add(caseFolder(t))
	var jobs struct {
		Jobs []struct{ Subject, State string }
	}
	s.do(ask{method: "GET", path: "/api/jobs", as: consent.Curator}).want(200).into(&jobs)
	if len(jobs.Jobs) != 1 || jobs.Jobs[0].Subject != id+"/r1" || jobs.Jobs[0].State != "done" {
		t.Errorf("jobs %+v", jobs)
	}
	var rep library.Report
	s.do(ask{method: "POST", path: "/api/check", as: consent.Steward}).want(200).into(&rep)
	if rep.Cases != 1 || rep.Files != 5 || rep.Change != 1 || rep.Indexed != 1 || len(rep.Problems) != 0 {
		t.Errorf("check says %+v; want the original, the copy, the poster and two stage stills", rep)
	}
	s.do(ask{method: "POST", path: "/api/reindex", as: consent.Steward}).want(200).into(&rep)
	if rep.Cases != 1 || rep.Indexed != 1 {
		t.Errorf("reindex says %+v", rep)
	}
	backup := s.do(ask{method: "GET", path: "/api/backup", as: consent.Steward}).want(200)
	var names []string
	for r := tar.NewReader(bytes.NewReader(backup.body)); ; {
		h, err := r.Next()
		if err != nil {
			break
		}
		names = append(names, h.Name)
	}
	if want := []string{"library.db", "files/" + s.record(id).Recordings[0].Hash, "manifest.json"}; !slices.Equal(names, want) {
		t.Errorf("the backup holds %q, want %q", names, want)
	}
}

func TestAPIExports(t *testing.T) {
	s := newStack(t)
	id := s.add(caseFolder(t))
	export := "/api/cases/" + id + "/export/"
	a := s.do(ask{method: "GET", path: export + "chapters?audience=professionals", as: consent.Trainee}).want(200)
	if !strings.HasPrefix(string(a.body), "WEBVTT") || a.header.Get("Content-Disposition") != "attachment; filename=loose-bag-horizontal-chop.vtt" {
		t.Errorf("%v: %.200s", a.header, a.body)
	}
	s.do(ask{method: "GET", path: export + "nothing", as: consent.Trainee}).refused(404, "chapters")
	s.do(ask{method: "GET", path: export + "chapters?audience=neighbours", as: consent.Trainee}).refused(422, "not an audience")
	s.do(ask{method: "GET", path: export + "chapters?recording=r7", as: consent.Trainee}).refused(404, "no recording r7")
	if p := s.do(ask{method: "GET", path: export + "chapters?audience=public", as: consent.Steward}).refused(403, "covers professionals"); !strings.HasSuffix(p.Detail, ".") {
		t.Errorf("%q is no sentence", p.Detail)
	}
	entries, err := s.desk.Audit(t.Context(), "", 5)
	if err != nil || len(entries) == 0 || entries[0].Action != "export chapters for professionals" || entries[0].Subject != id {
		t.Errorf("the audit says %+v, %v", entries, err)
	}
}

// A folder export cut short must not look whole.
func TestExportThatFailsCutsTheConnection(t *testing.T) {
	s := newStack(t)
	id := s.add(caseFolder(t))
	made, err := s.store.Prepared(t.Context(), id)
	if err != nil {
		t.Fatal(err)
	}
	path, err := s.vault.Path(made["r1"].Play)
	if err != nil {
		t.Fatal(err)
	}
	// A folder in its place can be opened but not read.
	if err := errors.Join(os.Remove(path), os.Mkdir(path, 0o700)); err != nil {
		t.Fatal(err)
	}
	r, err := http.NewRequestWithContext(t.Context(), "GET", s.url+"/api/cases/"+id+"/export/folder", nil)
	if err != nil {
		t.Fatal(err)
	}
	r.Header.Set("Authorization", "Bearer "+s.token)
	res, err := http.DefaultClient.Do(r)
	if err == nil {
		defer res.Body.Close()
		if res.StatusCode != 200 {
			return // said before anything was sent: as good
		}
		_, err = io.Copy(io.Discard, res.Body)
	}
	if err == nil {
		t.Error("an archive that is not whole came to a proper end")
	}
}

func TestAPIDropsACase(t *testing.T) {
	s := newStack(t)
	id := s.add(caseFolder(t))
	path := "/api/cases/" + id
	s.do(ask{method: "DELETE", path: path, as: consent.Curator}).refused(428, "")
	s.do(ask{method: "DELETE", path: path, as: consent.Curator, head: []string{"If-Match", `"9"`}}).refused(412, "")
	s.do(ask{method: "DELETE", path: path, as: consent.Curator, head: []string{"If-Match", `"1"`}}).want(204)
	s.do(ask{method: "DELETE", path: path, as: consent.Curator, head: []string{"If-Match", "*"}}).refused(404, "no case")
	s.settle()
	var rep library.Report
	s.do(ask{method: "POST", path: "/api/check", as: consent.Steward}).want(200).into(&rep)
	if rep.Cases != 0 || rep.Files != 0 || len(rep.Problems) != 0 {
		t.Errorf("it left %+v", rep)
	}
}
