package library

import (
	"context"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"testing"

	"sideport/annotate"
)

const twoFilms = `title: Two films and a photograph
recordings:
  - {file: a.mp4, captions: a.vtt}
  - {file: b.mp4, role: theatre}
stills:
  - {file: day1.jpg, when: day 1}
notes:
  - {kind: stage, concept: capsulorhexis, from: "00:01", to: "00:03"}
`

const vtt = "WEBVTT\n\n00:01.000 --> 00:02.000\nWords.\n"

func wholeFolder(t *testing.T) string {
	return folderOf(t, "case.yaml", twoFilms, "a.mp4", "film a", "b.mp4", "film b", "a.vtt", vtt, "day1.jpg", "photo")
}

func TestAddFolder(t *testing.T) {
	w := newWorld(t)
	got, err := w.AddFolder(t.Context(), curator, wholeFolder(t))
	if err != nil {
		t.Fatal(err)
	}
	c := w.cases[got.ID]
	if got.Title != "Two films and a photograph" || len(got.Problems) != 0 || len(c.Recordings) != 2 || c.Recordings[0].Hash == "" ||
		c.Recordings[1].Film.Duration != 60*annotate.Second || len(c.Recordings[0].Captions) != 1 || c.Stills[0].Hash == "" || len(c.Notes) != 1 {
		t.Errorf("added %+v as %+v", got, c)
	}
	if want := []string{got.ID + "/r1", got.ID + "/r2"}; !slices.Equal(w.jobs, want) {
		t.Errorf("queued %q, want %q", w.jobs, want)
	}
	w.nothingLeft(t)
}

// Whatever call fails, the case is stored whole or not at all.
func TestAddFolderIsAllOrNothing(t *testing.T) {
	first := newWorld(t)
	if _, err := first.AddFolder(t.Context(), curator, wholeFolder(t)); err != nil {
		t.Fatal(err)
	}
	if len(first.calls) < 10 {
		t.Fatalf("only %q were called", first.calls)
	}
	for n, name := range first.calls {
		t.Run(name, func(t *testing.T) {
			w := newWorld(t)
			w.fail = func(i int) error {
				if i == n {
					return errDisk
				}
				return nil
			}
			got, err := w.AddFolder(t.Context(), curator, wholeFolder(t))
			if (err == nil) != (len(w.cases) == 1) || name != "Jobs.Add" && err == nil {
				t.Errorf("call %d failing gave %+v, %v; %d cases are stored", n, got, err, len(w.cases))
			}
			w.nothingLeft(t)
		})
	}
}

func TestAddFolderStopsWithItsRequest(t *testing.T) {
	w := newWorld(t)
	ctx, stop := context.WithCancel(t.Context())
	w.hook["Photo"] = stop
	if _, err := w.AddFolder(ctx, curator, wholeFolder(t)); err == nil {
		t.Error("a request that ended was carried out")
	}
	w.nothingLeft(t)
}

func TestAddFolderRefuses(t *testing.T) {
	one := func(yaml string, more ...string) func(*testing.T) string {
		return func(t *testing.T) string { return folderOf(t, append([]string{"case.yaml", yaml}, more...)...) }
	}
	tests := []struct {
		name  string
		dir   func(*testing.T) string
		cause annotate.Cause
		say   []string
	}{
		{"no folder", func(t *testing.T) string { return filepath.Join(t.TempDir(), "none") }, annotate.Missing, []string{"cannot be opened"}},
		{"a file", func(t *testing.T) string { return filepath.Join(folderOf(t, "x", ""), "x") }, annotate.Missing, []string{"cannot be opened"}},
		{"no case file", func(t *testing.T) string { return t.TempDir() }, annotate.Missing, []string{"There is no case.yaml"}},
		{"a folder as case file", func(t *testing.T) string { return folderOf(t, "case.yaml/x", "") }, annotate.Invalid, []string{"not a file"}},
		{"a pipe as case file", pipeFolder, annotate.Invalid, []string{"not a file"}},
		{"a link out of the folder", linkFolder, annotate.Invalid, []string{"case.yaml cannot be read"}},
		{"not YAML", one("title: ["), annotate.Invalid, []string{"case.yaml:1"}},
		{"no title", one("eye: left\n"), annotate.Invalid, []string{"title"}},
		{"file not there", one("title: a\nrecordings: [{file: a.mp4}]\n"), annotate.Invalid, []string{"case.yaml:2", `no file "a.mp4"`, "nothing was stored"}},
		{"file beyond the folder", one("title: a\nrecordings: [{file: ../a.mp4}]\n"), annotate.Invalid, []string{"case.yaml:2"}},
		{"file is a folder", one("title: a\nrecordings: [{file: a.mp4}]\n", "a.mp4/x", ""), annotate.Invalid, []string{`"a.mp4" is not a file`}},
		{"not a film", one("title: a\nrecordings: [{file: a.mp4}]\n", "a.mp4", "words"), annotate.Invalid, []string{"a.mp4: This is not a film."}},
		{"not a photograph", one("title: a\nstills: [{file: a.jpg}]\n", "a.jpg", "words"), annotate.Invalid, []string{"a.jpg: This is not a photograph."}},
		{"not captions", one("title: a\nrecordings: [{file: a.mp4, captions: a.vtt}]\n", "a.mp4", "film", "a.vtt", "\x00\x01"), annotate.Invalid, []string{"a.vtt"}},
		{"captions too large", one("title: a\nrecordings: [{file: a.mp4, captions: a.vtt}]\n", "a.mp4", "film", "a.vtt", strings.Repeat("x", maxCaptions+1)), annotate.Invalid, []string{"5 MiB"}},
		{"note beyond the film", one("title: a\nrecordings: [{file: a.mp4}]\nnotes: [{kind: remark, at: \"02:00\", words: x}]\n", "a.mp4", "film"), annotate.Invalid, []string{"case.yaml:3", "after the end of the film"}},
		{"the same film twice", one("title: a\nrecordings: [{file: a.mp4}, {file: b.mp4}]\n", "a.mp4", "film", "b.mp4", "film"), annotate.Invalid, []string{"recordings[1]", "same film as recordings[0]"}},
		{"several at once", one("title: a\nrecordings: [{file: a.mp4}, {file: b.mp4}]\n"), annotate.Invalid, []string{"a.mp4", "b.mp4"}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			w := newWorld(t)
			_, err := w.AddFolder(t.Context(), curator, tt.dir(t))
			if annotate.CauseOf(err) != tt.cause {
				t.Fatalf("got %v, want a fault of cause %s", err, tt.cause)
			}
			for _, say := range tt.say {
				if !strings.Contains(err.Error(), say) {
					t.Errorf("%q does not say %q", err, say)
				}
			}
			if len(w.cases) != 0 {
				t.Errorf("stored %+v", w.cases)
			}
			w.nothingLeft(t)
		})
	}
	w := newWorld(t)
	if _, err := w.AddFolder(t.Context(), trainee, wholeFolder(t)); annotate.CauseOf(err) != annotate.Refused {
		t.Errorf("as a trainee: %v", err)
	}
}

// pipeFolder's case file would keep its reader waiting for ever.
func pipeFolder(t *testing.T) string {
	dir := t.TempDir()
	if err := syscall.Mkfifo(filepath.Join(dir, "case.yaml"), 0o600); err != nil {
		t.Fatal(err)
	}
	return dir
}

func linkFolder(t *testing.T) string {
	dir, out := t.TempDir(), folderOf(t, "case.yaml", "title: outside\n")
	if err := os.Symlink(filepath.Join(out, "case.yaml"), filepath.Join(dir, "case.yaml")); err != nil {
		t.Fatal(err)
	}
	return dir
}

func (w *world) mustAdd(t *testing.T, names ...string) string {
	t.Helper()
	got, err := w.AddFolder(t.Context(), curator, folderOf(t, names...))
	if err != nil {
		t.Fatal(err)
	}
	return got.ID
}

const oneFilm = "title: a\nrecordings: [{file: a.mp4}]\nnotes: [{kind: stage, concept: capsulorhexis, from: \"00:01\", to: \"00:03\"}]\n"

func TestFilmsAreStoredOnce(t *testing.T) {
	w := newWorld(t)
	a := w.mustAdd(t, "case.yaml", oneFilm, "a.mp4", "film")
	got, err := w.AddFolder(t.Context(), curator, folderOf(t, "case.yaml", oneFilm, "a.mp4", "film"))
	if err != nil {
		t.Fatal(err)
	}
	if len(got.Problems) != 1 || !got.Problems[0].Warning || !strings.Contains(got.Problems[0].Say, "already") || got.Problems[0].Line != 2 {
		t.Errorf("problems %+v, want a warning with its line", got.Problems)
	}
	if n := len(w.stored(t)); n != 1 {
		t.Errorf("%d files", n)
	}
	w.work(t)
	w.nothingLeft(t)
	if n := len(w.stored(t)); n != 4 {
		t.Errorf("%d files are stored of one film, want original, copy, poster, still", n)
	}
	// The one that goes leaves what the other stands on.
	if err := w.DropCase(t.Context(), curator, a, 0); err != nil {
		t.Fatal(err)
	}
	w.nothingLeft(t)
	if err := w.DropCase(t.Context(), curator, got.ID, 0); err != nil {
		t.Fatal(err)
	}
	w.nothingLeft(t)
	if n := len(w.stored(t)); n != 0 {
		t.Errorf("%d files are left of no case", n)
	}
}

// A copy that was exported and added again is an original and a copy at once.
func TestACopyThatIsAnOriginalToo(t *testing.T) {
	w := newWorld(t)
	a := w.mustAdd(t, "case.yaml", oneFilm, "a.mp4", "film")
	w.work(t)
	b := w.mustAdd(t, "case.yaml", oneFilm, "a.mp4", "film: copy of film")
	if err := w.DropCase(t.Context(), curator, a, 0); err != nil {
		t.Fatal(err)
	}
	w.nothingLeft(t)
	if _, err := w.Files.Path(w.cases[b].Recordings[0].Hash); err != nil {
		t.Error("the original of the other case went along")
	}
}

func TestDropCaseThatFailsKeepsTheFiles(t *testing.T) {
	w := newWorld(t)
	id := w.mustAdd(t, "case.yaml", oneFilm, "a.mp4", "film")
	if err := w.DropCase(t.Context(), curator, id, 99); annotate.CauseOf(err) != annotate.Conflict {
		t.Errorf("dropped against another rev: %v", err)
	}
	w.nothingLeft(t)
	if err := w.DropCase(t.Context(), trainee, id, 0); annotate.CauseOf(err) != annotate.Refused {
		t.Errorf("dropped by a trainee: %v", err)
	}
}

func TestAddUpload(t *testing.T) {
	upload := func(t *testing.T, content string) string {
		return filepath.Join(folderOf(t, "up.part", content), "up.part")
	}
	tests := []struct {
		name string
		up   func(t *testing.T) Upload
		say  string // "" is good
	}{
		{"film and title", func(t *testing.T) Upload { return Upload{Title: "a", Film: upload(t, "film")} }, ""},
		{"title alone", func(*testing.T) Upload { return Upload{Title: "a"} }, ""},
		{"film, captions, title", func(t *testing.T) Upload { return Upload{Title: "a", Film: upload(t, "film"), Captions: []byte(vtt)} }, ""},
		{"with a case file", func(t *testing.T) Upload { return Upload{CaseFile: []byte(oneFilm), Film: upload(t, "film")} }, ""},
		{"no title", func(t *testing.T) Upload { return Upload{Film: upload(t, "film")} }, "needs a title"},
		{"no film", func(t *testing.T) Upload { return Upload{Title: "a", Film: upload(t, "words")} }, "not a film"},
		{"case file of two films", func(t *testing.T) Upload { return Upload{CaseFile: []byte(twoFilms), Film: upload(t, "film")} }, "did not come with the upload"},
		{"case file of a film that did not come", func(*testing.T) Upload { return Upload{CaseFile: []byte(oneFilm)} }, "did not come with the upload"},
		{"bad captions", func(t *testing.T) Upload {
			return Upload{Title: "a", Film: upload(t, "film"), Captions: []byte("\x00")}
		}, "captions"},
		{"bad case file", func(t *testing.T) Upload { return Upload{CaseFile: []byte("titel: a\n"), Film: upload(t, "film")} }, "titel"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			w := newWorld(t)
			u := tt.up(t)
			got, err := w.AddUpload(t.Context(), curator, u)
			if tt.say == "" {
				if err != nil || w.cases[got.ID].Title != "a" || len(w.cases[got.ID].Recordings) != min(1, len(u.Film)) {
					t.Errorf("got %+v, %v; stored %+v", got, err, w.cases[got.ID])
				}
			} else if annotate.CauseOf(err) != annotate.Invalid || !strings.Contains(err.Error(), tt.say) {
				t.Errorf("got %v, want a fault that says %q", err, tt.say)
			} else if _, err := os.Stat(u.Film); u.Film != "" && err != nil {
				t.Error("what was refused took the upload along")
			}
			w.nothingLeft(t)
		})
	}
}
