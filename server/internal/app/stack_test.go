package app

import (
	"bytes"
	"context"
	"encoding/json"
	"io"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"sideport/annotate/consent"
	"sideport/server/internal/library"
)

// stack is a whole library behind a real connection, joined as serve joins it.
type stack struct {
	*App
	t    *testing.T
	url  string
	keys map[consent.Role]string // session of an account of each role; "" of none
	log  *bytes.Buffer
	spec *description
}

// film is a small film that browsers play: 8 s of moving pictures.
var film = sync.OnceValues(func() ([]byte, error) {
	dir, err := os.MkdirTemp("", "film")
	if err != nil {
		return nil, err
	}
	defer os.RemoveAll(dir)
	path := filepath.Join(dir, "film.mp4")
	args := "-v error -nostdin -y -f lavfi -i testsrc=s=64x48:r=25:d=8 -c:v libx264 -preset ultrafast -pix_fmt yuv420p"
	if out, err := exec.Command("ffmpeg", append(strings.Fields(args), path)...).CombinedOutput(); err != nil {
		return out, err
	}
	return os.ReadFile(path)
})

func filmBytes(t *testing.T) []byte {
	t.Helper()
	b, err := film()
	if err != nil {
		if os.Getenv("TEST_NO_SKIP") == "1" {
			t.Fatalf("make a film: %v: %s", err, b)
		}
		t.Skipf("make a film: %v", err)
	}
	return b
}

const looseBag = `title: Loose bag, horizontal chop
summary: Dialysis found at the first touch.
specialty: cataract
eye: left
surgeon: consultant
patient: {age_band: 70-79, sex: female}
factors:
  - {concept: zonular-weakness, grade: 4 clock hours, known: before}
plan:
  - {challenge: zonular-weakness, strategy: chop without turning, stand_by: [capsule hooks]}
recordings:
  - {file: film.mp4, captions: film.vtt, role: microscope}
notes:
  - {kind: stage, concept: capsulorhexis, from: "00:01", to: "00:03"}
  - {kind: stage, concept: nucleus-removal, from: "00:03", to: "00:06"}
  - {kind: technique, concept: horizontal-chop, at: "00:04", words: the nucleus stays where it is}
  - {kind: setting, at: "00:03", values: {vacuum: 350 mmHg}, usual: {vacuum: 400 mmHg}}
  - {kind: decision, at: "00:05", from: phaco, to: hooks, sign: the bag moves, because: no zonules there}
  - {kind: teaching point, at: "00:04", words: Never turn the nucleus in a loose bag.}
  - {kind: remark, at: "00:06", words: a marigold remark}
hindsight: hooks earlier
outcome: [{when: day 1, visual_acuity: 6/9, iop: 14 mmHg}]
consent: {audience: professionals, obtained: 2026-03-01, reference: heliotrope-77}
status: published
`

const captions = "WEBVTT\n\n00:01.000 --> 00:02.000\nThe capsule wrinkles.\n\n00:04.000 --> 00:05.000\nNow the chop.\n"

// caseFolder writes a case as a user has it. Pairs of edit replace text in it.
func caseFolder(t *testing.T, edit ...string) string {
	t.Helper()
	dir := t.TempDir()
	text := strings.NewReplacer(edit...).Replace(looseBag)
	for name, b := range map[string][]byte{"case.yaml": []byte(text), "film.mp4": filmBytes(t), "film.vtt": []byte(captions)} {
		if err := os.WriteFile(filepath.Join(dir, name), b, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	return dir
}

// newStack opens an empty library and serves it.
func newStack(t *testing.T) *stack {
	t.Helper()
	filmBytes(t) // skips where there are no media tools
	s := &stack{t: t, log: &bytes.Buffer{}, keys: map[consent.Role]string{}}
	ctx, stop := context.WithCancel(t.Context())
	var err error
	if s.App, err = open(ctx, t.TempDir(), "serve", time.Second, slog.New(slog.NewTextHandler(&locked{w: s.log}, nil))); err != nil {
		t.Fatal(err)
	}
	background := s.start(ctx)
	server := httptest.NewServer(s.handler)
	s.url = server.URL
	t.Cleanup(func() {
		if t.Failed() {
			t.Logf("the server's log:\n%s", s.log)
		}
		server.Close()
		stop()
		if err := background(); err != nil {
			t.Error(err)
		}
		if err := s.Close(); err != nil {
			t.Error(err)
		}
	})
	by := consent.Viewer{Account: "local", Role: consent.Steward}
	for _, role := range []consent.Role{consent.Trainee, consent.Presenter, consent.Curator, consent.Steward} {
		acc, err := s.desk.AddAccount(ctx, by, "a "+string(role), role)
		if err != nil {
			t.Fatal(err)
		}
		s.keys[role] = s.session(acc.ID)
	}
	s.spec = describe(t, s)
	return s
}

// locked lets several write to one place.
type locked struct {
	mu sync.Mutex
	w  io.Writer
}

func (l *locked) Write(b []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.w.Write(b)
}

func (s *stack) session(account string) string {
	s.t.Helper()
	link, err := s.desk.Link(s.t.Context(), account)
	if err != nil {
		s.t.Fatal(err)
	}
	key, _, err := s.desk.SignIn(s.t.Context(), link)
	if err != nil {
		s.t.Fatal(err)
	}
	return key
}

// ask is a request to a stack.
type ask struct {
	method, path string
	as           consent.Role
	local        bool // with the token of this machine's own commands
	body         any  // []byte and string as they are, url.Values as a form, the rest as JSON
	head         []string
}

// answer is what came back, read to its end.
type answer struct {
	t      *testing.T
	what   string
	status int
	header http.Header
	body   []byte
}

func (s *stack) do(q ask) answer {
	s.t.Helper()
	var body io.Reader
	kind := ""
	switch b := q.body.(type) {
	case nil:
	case []byte:
		body = bytes.NewReader(b)
	case string:
		body = strings.NewReader(b)
	case url.Values:
		body, kind = strings.NewReader(b.Encode()), "application/x-www-form-urlencoded"
	default:
		j, err := json.Marshal(b)
		if err != nil {
			s.t.Fatal(err)
		}
		body, kind = bytes.NewReader(j), "application/json"
	}
	r, err := http.NewRequestWithContext(s.t.Context(), q.method, s.url+q.path, body)
	if err != nil {
		s.t.Fatal(err)
	}
	if kind != "" {
		r.Header.Set("Content-Type", kind)
	}
	if q.local {
		r.Header.Set("Authorization", "Bearer "+s.token)
	} else if key := s.keys[q.as]; key != "" {
		r.AddCookie(&http.Cookie{Name: "sideport", Value: key})
	}
	for i := 0; i+1 < len(q.head); i += 2 {
		r.Header.Set(q.head[i], q.head[i+1])
	}
	return s.send(r)
}

func (s *stack) send(r *http.Request) answer {
	s.t.Helper()
	res, err := http.DefaultTransport.RoundTrip(r)
	if err != nil {
		s.t.Fatal(err)
	}
	defer res.Body.Close()
	b, err := io.ReadAll(res.Body)
	if err != nil {
		s.t.Fatal(err)
	}
	a := answer{s.t, r.Method + " " + r.URL.RequestURI(), res.StatusCode, res.Header, b}
	if s.spec != nil {
		s.spec.hold(s.t, r, a)
	}
	return a
}

// want holds the status against what was expected.
func (a answer) want(status int) answer {
	a.t.Helper()
	if a.status != status {
		a.t.Fatalf("%s: got %d, want %d: %.600s", a.what, a.status, status, a.body)
	}
	return a
}

func (a answer) into(v any) {
	a.t.Helper()
	if err := json.Unmarshal(a.body, v); err != nil {
		a.t.Fatalf("%s: %v in %.600s", a.what, err, a.body)
	}
}

// add brings a case in and waits until its film is ready.
func (s *stack) add(dir string) string {
	s.t.Helper()
	var got library.Added
	s.do(ask{method: "POST", path: "/api/cases", local: true, body: map[string]string{"folder": dir}}).want(201).into(&got)
	s.settle()
	return got.ID
}

// settle waits until the jobs are done and the index has the last change.
func (s *stack) settle() {
	s.t.Helper()
	for range 2 { // what is indexed can ask for stills
		if err := s.library.CatchUp(s.t.Context()); err != nil {
			s.t.Fatal(err)
		}
		if err := s.queue.Wait(s.t.Context()); err != nil {
			s.t.Fatal(err)
		}
	}
}
