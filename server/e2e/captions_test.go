package e2e

import (
	"encoding/json"
	"fmt"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
)

// cue is a cue as a reader of WebVTT sees it: text with its tags and escapes.
type cue struct {
	From float64 `json:"from"`
	To   float64 `json:"to"`
	Text string  `json:"text"`
}

// parsed is a file as the independent parser read it.
type parsed struct {
	Errors []string `json:"errors"`
	Cues   []cue    `json:"cues"`
}

// parse reads files, each given as kind=path, with the independent parser.
func parse(t *testing.T, args ...string) []parsed {
	t.Helper()
	need(t, "node")
	if _, err := os.Stat("node_modules/webvtt-parser"); err != nil {
		skip(t, "webvtt-parser is not installed: npm ci in server/e2e")
	}
	cmd := exec.CommandContext(t.Context(), "node", append([]string{"testdata/read-captions.mjs"}, args...)...)
	cmd.Stderr = os.Stderr
	out, err := cmd.Output()
	if err != nil {
		t.Fatal(err)
	}
	var got []parsed
	if err := json.Unmarshal(out, &got); err != nil {
		t.Fatal(err)
	}
	return got
}

// track has the page load a track and gives its cues.
const track = `(async e => {
	e.track.mode = 'hidden';
	while (e.readyState < 2) await new Promise((ok, no) => { e.onload = ok; e.onerror = () => no(new Error('not read: ' + e.src)); });
	return [...e.track.cues].map(c => ({ from: c.startTime, to: c.endTime, text: c.text }));
})(%s)`

var near = cmpopts.EquateApprox(0, 0.0005) // Chromium counts in doubles

// Every file of captions and chapters that we write has no mistake in it, and
// browser and parser find the same cues.
func TestCaptionsAreReadByOthers(t *testing.T) {
	s := shared(t)
	b := newTab(t, s.server)
	most := 0
	for name, id := range map[string]string{"story": s.story, "hostile": s.hostile, "full": s.full} {
		t.Run(name, func(t *testing.T) {
			b.in(t)
			b.open("/cases/" + id)
			n := eval[int](b, `document.querySelectorAll('track').length`)
			if n < 2 {
				t.Fatalf("the page has %d tracks", n)
			}
			for i := range n {
				el := fmt.Sprintf(`document.querySelectorAll('track')[%d]`, i)
				kind := eval[string](b, el+`.kind`)
				file := write(t, filepath.Join(t.TempDir(), "x.vtt"), string(s.get(t, eval[string](b, el+`.getAttribute('src')`)).body))
				got := parse(t, kind+"="+file)[0]
				if len(got.Errors) > 0 {
					t.Errorf("%s: %v", kind, got.Errors)
				}
				if d := cmp.Diff(got.Cues, eval[[]cue](b, fmt.Sprintf(track, el)), near, cmpopts.EquateEmpty()); d != "" {
					t.Errorf("%s (-parser +browser):\n%s", kind, d)
				}
				most = max(most, len(got.Cues))
			}
		})
	}
	if most < 3 {
		t.Errorf("no file had more than %d cues: no test of anything", most)
	}
}

// What people read in the browser is what the record says, letter for letter.
func TestCaptionsSayWhatTheRecordSays(t *testing.T) {
	s := shared(t)
	b := newTab(t, s.server)
	b.open("/cases/" + s.hostile)
	var c struct {
		Recordings []struct {
			Captions []struct {
				Language string
				Cues     []struct{ Text string }
			}
		}
	}
	if err := json.Unmarshal(s.get(t, "/api/cases/"+s.hostile).body, &c); err != nil {
		t.Fatal(err)
	}
	for _, tr := range c.Recordings[0].Captions {
		el := fmt.Sprintf(`document.querySelector('track[srclang=%s][kind=captions]')`, tr.Language)
		eval[[]cue](b, fmt.Sprintf(track, el))
		got := eval[[]string](b, `[...`+el+`.track.cues].map(c => c.getCueAsHTML().textContent)`)
		var want []string
		for _, q := range tr.Cues {
			want = append(want, q.Text)
		}
		if d := cmp.Diff(want, got); d != "" {
			t.Errorf("%s (-record +browser):\n%s", tr.Language, d)
		}
	}
}

// The golden files of the writers hold what has broken other writers.
func TestGoldenCaptionsAreReadByOthers(t *testing.T) {
	var paths []string
	for _, glob := range []string{"../../annotate/caption/testdata/written/*.vtt", "../../annotate/export/testdata/*.vtt.golden"} {
		found, err := filepath.Glob(glob)
		if err != nil || len(found) == 0 {
			t.Fatalf("%s: %v, %v", glob, found, err)
		}
		paths = append(paths, found...)
	}
	var args []string
	site := http.NewServeMux()
	site.HandleFunc("/", func(w http.ResponseWriter, r *http.Request) {
		w.Header().Set("Content-Type", "text/html")
		for i, p := range paths {
			fmt.Fprintf(w, "<video><track kind=%s src=/%d.vtt></video>", kindOf(p), i)
		}
	})
	for i, p := range paths {
		args = append(args, kindOf(p)+"="+p)
		site.HandleFunc(fmt.Sprintf("/%d.vtt", i), func(w http.ResponseWriter, r *http.Request) {
			w.Header().Set("Content-Type", "text/vtt")
			http.ServeFile(w, r, p)
		})
	}
	web := httptest.NewServer(site)
	defer web.Close()
	b := newTab(t, &server{base: web.URL})
	b.open("/")
	for i, got := range parse(t, args...) {
		t.Run(filepath.Base(paths[i]), func(t *testing.T) {
			b.in(t)
			if len(got.Errors) > 0 {
				t.Errorf("%v", got.Errors)
			}
			seen := eval[[]cue](b, fmt.Sprintf(track, fmt.Sprintf(`document.querySelectorAll('track')[%d]`, i)))
			if d := cmp.Diff(got.Cues, seen, near, cmpopts.EquateEmpty()); d != "" {
				t.Errorf("(-parser +browser):\n%s", d)
			}
		})
	}
}

func kindOf(path string) string {
	if strings.HasPrefix(filepath.Base(path), "chapters") {
		return "chapters"
	}
	return "captions"
}

// The parser does find mistakes.
func TestTheParserRefuses(t *testing.T) {
	dir := t.TempDir()
	for name, c := range map[string]struct{ text, say string }{
		"tag":   {"WEBVTT\n\n00:01.000 --> 00:02.000\n<b>open\n", `end tag`},
		"order": {"WEBVTT\n\n00:02.000 --> 00:01.000\nx\n", `(?i)end (time|timestamp)`},
	} {
		got := parse(t, "captions="+write(t, filepath.Join(dir, name), c.text))[0]
		if !regexp.MustCompile(c.say).MatchString(strings.Join(got.Errors, "\n")) {
			t.Errorf("%s: %v", name, got.Errors)
		}
	}
}
