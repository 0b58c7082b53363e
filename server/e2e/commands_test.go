package e2e

import (
	"encoding/json"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// told is everything that a round of commands printed, by command.
type told map[string]said

// round carries out every command on a data folder that may or may not be held
// by a server, and takes out of what is printed what differs by chance.
func round(t *testing.T, data string) told {
	t.Helper()
	out := told{}
	dir := folder(t, readmeCase(t), []string{"film.mp4"}, "film.vtt", narration)
	bad := folder(t, "title: x\nrecordings: [{file: nowhere.mp4}]\n", nil)
	added := sideport(t, data, "add", dir)
	id := strings.TrimSpace(added.out)
	clean := func(s said) said {
		for from, to := range map[string]string{id: "ID", dir: "FOLDER", bad: "BAD", data: "DATA"} {
			if from != "" {
				s.out, s.err = strings.ReplaceAll(s.out, from, to), strings.ReplaceAll(s.err, from, to)
			}
		}
		return s
	}
	out["add"] = clean(added)
	await(t, "the case to be found", func() bool { return sideport(t, data, "find", "loose", "bag").code == 0 })
	for _, args := range [][]string{
		{"find", "loose", "bag", "horizontal", "chop"}, {"find", "--json", "loose", "bag"}, {"find", "zyxwvut"}, {"find", "--json", "zyxwvut"},
		{"export", id, "chapters"}, {"export", id, "captions"}, {"export", id, "summary"}, {"export", id, "summary-html"},
		{"export", id, "chapters", "--audience", "public"}, {"export", id, "papyrus"}, {"export", "nobody", "chapters"}, {"export", "--list"}, {"export", "--list", "--json"},
		{"add", bad}, {"add", "--json", bad}, {"add", "/nowhere"}, {"reindex"}, {"find", "horizontal", "chop"}, {"reindex", "--json"},
	} {
		out[strings.ReplaceAll(strings.ReplaceAll(strings.Join(args, " "), id, "ID"), bad, "BAD")] = clean(sideport(t, data, args...))
	}
	return out
}

func TestCommandsAnswerAlikeWithAndWithoutAServer(t *testing.T) {
	data := t.TempDir()
	without := round(t, data)
	s := serve(t, t.TempDir()).signedIn(t)
	with := round(t, s.data)
	if d := cmp.Diff(without, with, cmp.AllowUnexported(said{}), cmp.Transformer("score", func(s said) [3]any {
		return [3]any{scores.ReplaceAllString(s.out, ""), s.err, s.code}
	})); d != "" {
		t.Errorf("(-without a server +with one):\n%s", d)
	}

	codes := map[string]int{"add": 0, "find loose bag horizontal chop": 0, "find zyxwvut": 3, "find --json zyxwvut": 3, "export ID chapters": 0,
		"export ID chapters --audience public": 4, "export ID papyrus": 3, "export nobody chapters": 3, "export --list": 0, "add BAD": 2, "add --json BAD": 2, "add /nowhere": 3, "reindex": 0}
	for name, code := range codes {
		if got := without[name]; got.code != code {
			t.Errorf("%s ended with %d, not %d:\n%s%s", name, got.code, code, got.out, got.err)
		}
	}
	for name, got := range without {
		if strings.Contains(name, "--json") {
			for _, text := range []string{got.out, got.err} {
				if text != "" && !json.Valid([]byte(text)) {
					t.Errorf("%s printed no JSON: %s", name, text)
				}
			}
		}
	}
	if got := without["find loose bag horizontal chop"]; !strings.HasPrefix(got.out, "ID  Loose bag, horizontal chop\n") || !regexp.MustCompile(`(?m)^ +03:50  `).MatchString(got.out) {
		t.Errorf("find printed\n%s", got.out)
	}
	if got := without["add BAD"].err; !strings.Contains(got, `case.yaml:2:`) || !strings.Contains(got, `"nowhere.mp4"`) {
		t.Errorf("a film that is not there: %s", got)
	}
	for _, dir := range []string{data, s.data} {
		if got := must(t, dir, "check"); !strings.HasPrefix(got, "1 cases, ") || strings.Contains(got, "\n") {
			t.Errorf("check printed %s", got)
		}
		if got := must(t, dir, "check", "--json"); !strings.Contains(got, `"problems":[]`) {
			t.Errorf("check --json printed %s", got)
		}
	}
}

// scores are numbers of the search engine that depend on how its index was filled.
var scores = regexp.MustCompile(`"score":[0-9.e-]+,?`)

// A backup, taken while a server is at work or not, becomes the same library.
func TestBackupAndRestore(t *testing.T) {
	s := shared(t)
	want := must(t, s.data, "find", "loose", "bag", "horizontal", "chop")
	archive := filepath.Join(t.TempDir(), "library.tar")
	if got := must(t, s.data, "backup", archive); !strings.HasPrefix(got, archive+": ") {
		t.Errorf("backup printed %s", got)
	}
	data := filepath.Join(t.TempDir(), "restored")
	must(t, data, "restore", archive)
	if got := must(t, data, "find", "loose", "bag", "horizontal", "chop"); got != want {
		t.Errorf("after the restore, find printed\n%s\nnot\n%s", got, want)
	}
	if got := must(t, data, "check"); strings.Contains(got, "\n") {
		t.Errorf("check of the restored library: %s", got)
	}
	if got := sideport(t, data, "restore", archive); got.code != 5 || !strings.Contains(got.err, "is not empty") {
		t.Errorf("restoring over a library: %d %s", got.code, got.err)
	}
	again := filepath.Join(t.TempDir(), "again.tar")
	must(t, data, "backup", again)
	third := filepath.Join(t.TempDir(), "third")
	must(t, third, "restore", again)
	if got := must(t, third, "export", s.story, "summary"); got != must(t, s.data, "export", s.story, "summary") {
		t.Errorf("the case of the third library:\n%s", got)
	}
	cut := filepath.Join(t.TempDir(), "cut.tar")
	if b, err := os.ReadFile(archive); err != nil {
		t.Fatal(err)
	} else {
		write(t, cut, string(b[:len(b)*2/3]))
	}
	fourth := filepath.Join(t.TempDir(), "fourth")
	if got := sideport(t, fourth, "restore", cut); got.code != 2 || len(files(t, fourth)) > 0 {
		t.Errorf("restoring a backup that breaks off: %d %s, left %v", got.code, got.err, files(t, fourth))
	}
}

// A restored library plays its films: what was made from them is made again.
func TestARestoredLibraryPlays(t *testing.T) {
	s := shared(t)
	archive := filepath.Join(t.TempDir(), "library.tar")
	must(t, s.data, "backup", archive)
	data := t.TempDir()
	must(t, data, "restore", archive)
	restored := serve(t, data).signedIn(t)
	restored.filmReady(t, s.old)
	b := newTab(t, restored)
	b.open("/cases/" + s.old + "?t=21.3")
	b.at(21.3)
}

func TestADataFolderIsHeldByOne(t *testing.T) {
	s := serve(t, t.TempDir())
	got := sideport(t, s.data, "serve", "--listen", "127.0.0.1:0")
	if got.code != 5 || !strings.Contains(got.err, "is open in serve (process ") || !strings.Contains(got.err, s.data) {
		t.Errorf("a second server: %d\n%s%s", got.code, got.out, got.err)
	}
	if got := sideport(t, t.TempDir(), "serve", "--listen", s.host()); got.code != 5 || !strings.Contains(got.err, "--listen HOST:PORT") {
		t.Errorf("a second server on the same port: %d\n%s", got.code, got.err)
	}
}

// A server that was killed leaves nothing that keeps commands out.
func TestCommandsAfterAKilledServer(t *testing.T) {
	s := serve(t, t.TempDir())
	id := must(t, s.data, "add", folder(t, noteCase, []string{"short.mp4"}))
	s.kill()
	if got := must(t, s.data, "find", "already", "here"); !strings.HasPrefix(got, id) {
		t.Errorf("find printed %s", got)
	}
	if got := must(t, s.data, "check"); strings.Contains(got, "\n") {
		t.Errorf("check printed %s", got)
	}
}

// What is wrong on the command line is said before anything is opened.
func TestCommandLinesThatAreWrong(t *testing.T) {
	for _, args := range [][]string{{"fly"}, {"add"}, {"add", "a", "b"}, {"export", "x"}, {"find"}, {"find", "--colour", "x"}, {"serve", "--listen", "nowhere"}, {"check", "x"}} {
		data := filepath.Join(t.TempDir(), "data")
		got := sideport(t, data, args...)
		if got.code != 2 || got.err == "" || slices.Contains(args, "--colour") && !strings.Contains(got.err, "colour") {
			t.Errorf("sideport %s: %d %s", strings.Join(args, " "), got.code, got.err)
		}
		if _, err := os.Stat(data); err == nil {
			t.Errorf("sideport %s made a data folder", strings.Join(args, " "))
		}
	}
}
