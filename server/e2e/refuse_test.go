package e2e

import (
	"bytes"
	"fmt"
	"mime/multipart"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// wrongFilms are bytes that call themselves film.mp4, and what is to be said.
func wrongFilms(t *testing.T) map[string]struct{ bytes, say string } {
	t.Helper()
	whole, err := os.ReadFile(film(t, "short.mp4"))
	if err != nil {
		t.Fatal(err)
	}
	return map[string]struct{ bytes, say string }{
		"words":                      {strings.Repeat("these are words, not pictures\n", 99), "not a film"},
		"a playlist":                 {"#EXTM3U\n#EXTINF:10,\nfile:///etc/passwd\n", "playlist"},
		"a manifest":                 {"<MPD><Period><BaseURL>file:///etc/passwd</BaseURL></Period></MPD>", "manifest"},
		"a list of films":            {"ffconcat version 1.0\nfile /etc/passwd\n", "list of films"},
		"a film that breaks off":     {string(whole[:len(whole)*6/10]), "breaks off"},
		"a beginning and no more":    {string(whole[:40]), "breaks off|cannot be read|damaged"},
		"nothing":                    {"", "empty"},
		"noise under a film's brand": {string(whole[:32]) + strings.Repeat("\x07\xe1noise", 4000), "cannot be read|damaged|breaks off"},
	}
}

const oneFilm = "title: Refused\nrecordings: [{file: film.mp4}]\n"

// stocked is a library with one case in it, to see that it stays as it is.
func stocked(t *testing.T) (data string, before []string) {
	t.Helper()
	data = t.TempDir()
	must(t, data, "add", folder(t, noteCase, []string{"short.mp4"}))
	return data, files(t, filepath.Join(data, "files"))
}

// untouched holds the library against what it was.
func untouched(t *testing.T, data string, before []string) {
	t.Helper()
	if d := cmp.Diff(before, files(t, filepath.Join(data, "files"))); d != "" {
		t.Errorf("files in the vault (-before +after):\n%s", d)
	}
	if got := must(t, data, "check"); !strings.HasPrefix(got, "1 cases, ") || strings.Contains(got, "\n") {
		t.Errorf("check printed %s", got)
	}
	if got := sideport(t, data, "find", "refused"); got.code != 3 {
		t.Errorf("find printed %d %s", got.code, got.out)
	}
	if left := files(t, filepath.Join(data, "uploads")); len(left) > 0 {
		t.Errorf("left in the spool: %v", left)
	}
}

func TestAddRefusesWhatIsNoCase(t *testing.T) {
	data, before := stocked(t)
	outside := write(t, filepath.Join(t.TempDir(), "outside.mp4"), "x")
	type bad struct {
		dir, say string
	}
	cases := map[string]bad{}
	for name, f := range wrongFilms(t) {
		cases[name] = bad{folder(t, oneFilm, nil, "film.mp4", f.bytes), f.say}
	}
	linked := folder(t, oneFilm, nil)
	if err := os.Symlink(outside, filepath.Join(linked, "film.mp4")); err != nil {
		t.Fatal(err)
	}
	bomb := "a: &a [x, x, x, x, x, x, x, x, x]\n"
	for c := 'b'; c <= 'i'; c++ {
		bomb += string(c) + ": &" + string(c) + " [" + strings.Repeat("*"+string(c-1)+", ", 8) + "*" + string(c-1) + "]\n"
	}
	for name, b := range map[string]bad{
		"a path out of the folder":   {folder(t, "title: Refused\nrecordings: [{file: ../film.mp4}]\n", nil), `case\.yaml:2:`},
		"an absolute path":           {folder(t, "title: Refused\nrecordings: [{file: "+outside+"}]\n", nil), `case\.yaml:2:`},
		"a link out of the folder":   {linked, "inside the folder"},
		"a control character":        {folder(t, "title: Refused\nrecordings: [{file: \"fi\\x07lm.mp4\"}]\n", nil), `case\.yaml:2:`},
		"a film twice":               {folder(t, "title: Refused\nrecordings: [{file: other.mp4}, {file: copy.mp4}]\n", []string{"other.mp4"}, "copy.mp4", read(t, film(t, "other.mp4"))), "same film as recordings"},
		"50 MB of case.yaml":         {folder(t, "title: Refused\nhindsight: "+strings.Repeat("x", 50<<20)+"\n", nil), "too large"},
		"deep nesting":               {folder(t, "title: "+strings.Repeat("[", 100_000)+strings.Repeat("]", 100_000)+"\n", nil), "open inside one another"},
		"an alias bomb":              {folder(t, bomb+"title: *i\n", nil), "a case file has no such names"},
		"a key that nobody knows":    {folder(t, "title: Refused\ncolour: red\n", nil), `case\.yaml:2:1: .*colour`},
		"stages that overlap":        {folder(t, "title: Refused\nrecordings: [{file: other.mp4}]\nnotes:\n  - {kind: stage, concept: cortex removal, from: 1, to: 9}\n  - {kind: stage, concept: hydrodissection, from: 5, to: 12}\n", []string{"other.mp4"}), `case\.yaml:5:`},
		"a time beyond the film":     {folder(t, "title: Refused\nrecordings: [{file: other.mp4}]\nnotes: [{kind: remark, at: \"09:59\", words: x}]\n", []string{"other.mp4"}), `case\.yaml:3:`},
		"captions that are not ones": {folder(t, "title: Refused\nrecordings: [{file: other.mp4, captions: film.vtt}]\n", []string{"other.mp4"}, "film.vtt", "1\n00:00:01,000 --> 00:00:02,000\nsubrip\n"), "(?i)webvtt"},
		"no YAML at all":             {folder(t, "\x00\x01\x02{{{", nil), `case\.yaml`},
	} {
		cases[name] = b
	}
	for name, c := range cases {
		t.Run(name, func(t *testing.T) {
			got := sideport(t, data, "add", c.dir)
			if got.code != 2 || !regexp.MustCompile(c.say).MatchString(got.err) {
				t.Errorf("ended with %d, not 2 with %q:\n%s%s", got.code, c.say, got.out, cutShort(got.err))
			}
			if len(got.err) > 10_000 {
				t.Errorf("the message has %d bytes", len(got.err))
			}
			untouched(t, data, before)
		})
	}
}

func read(t *testing.T, path string) string {
	t.Helper()
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

func cutShort(s string) string { return strings.ToValidUTF8(s[:min(len(s), 2000)], "·") }

// postFilm sends the plain form of /add.
func (s *server) postFilm(t *testing.T, title, name, film string) answer {
	t.Helper()
	var b bytes.Buffer
	w := multipart.NewWriter(&b)
	if err := w.WriteField("title", title); err != nil {
		t.Fatal(err)
	}
	part, err := w.CreateFormFile("film", name)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := part.Write([]byte(film)); err != nil {
		t.Fatal(err)
	}
	w.Close()
	return s.ask(t, "POST", "/add", s.session, &b, "Content-Type", w.FormDataContentType())
}

func TestUploadRefusesWhatIsNoFilm(t *testing.T) {
	data, _ := stocked(t)
	s := serve(t, data).signedIn(t)
	s.filmReady(t, strings.Fields(must(t, data, "find", "already", "here"))[0])
	before := files(t, filepath.Join(data, "files"))
	for name, f := range wrongFilms(t) {
		if f.bytes == "" {
			continue // a form says nothing that would tell an empty file from none
		}
		t.Run(name, func(t *testing.T) {
			a := s.postFilm(t, "Refused", "../../"+marker+".mp4", f.bytes)
			if a.StatusCode != 422 || !regexp.MustCompile(f.say).Match(a.body) {
				t.Errorf("answered %s, and says %q nowhere:\n%s", a.Status, f.say, cutShort(string(a.body)))
			}
			untouched(t, data, before)
		})
	}
	t.Run("in the browser", func(t *testing.T) {
		b := newTab(t, s)
		b.open("/add")
		b.choose("#film", write(t, filepath.Join(t.TempDir(), "film.mp4"), "#EXTM3U\nfile:///etc/passwd\n"))
		b.until(`document.querySelector('[data-say]').textContent.includes('is here')`)
		b.fill("#title", "Refused")
		if got := b.follow("main .acts button"); got != 422 {
			t.Errorf("answered %d", got)
		}
		if got := b.text("main"); !strings.Contains(got, "Not kept yet") || !strings.Contains(b.text("#film-problems"), "playlist") {
			t.Errorf("the page says %s", got)
		}
		if got := eval[string](b, `document.querySelector('#title').value`); got != "Refused" {
			t.Errorf("the title is lost: %q", got)
		}
		untouched(t, data, before)
	})
	t.Run("an empty file in the browser", func(t *testing.T) {
		b := newTab(t, s)
		b.open("/add")
		b.choose("#film", write(t, filepath.Join(t.TempDir(), "film.mp4"), ""))
		b.until(`document.querySelector('[data-say]').textContent.includes('empty')`)
		untouched(t, data, before)
	})
}

// smallDisk gives a folder on a disk with 24 MB left: a mounted one or, where
// nothing can be mounted, the shared memory that a container has, filled up.
func smallDisk(t *testing.T) string {
	t.Helper()
	const room = 24 << 20
	dir := t.TempDir()
	said, err := exec.Command("mount", "-t", "tmpfs", "-o", fmt.Sprint("size=", room), "tmpfs", dir).CombinedOutput()
	if err == nil {
		t.Cleanup(func() {
			if out, err := exec.Command("umount", dir).CombinedOutput(); err != nil {
				t.Errorf("umount: %v %s", err, out)
			}
		})
		return dir
	}
	var free int64
	if out, err := exec.Command("df", "--output=avail", "-B1", "/dev/shm").Output(); err == nil {
		_, number, _ := strings.Cut(string(out), "\n")
		free, _ = strconv.ParseInt(strings.TrimSpace(number), 10, 64)
	}
	if free < room || free > 1<<30 {
		skip(t, fmt.Sprintf("no small disk can be had here: %s; /dev/shm has %d bytes", said, free))
	}
	if dir, err = os.MkdirTemp("/dev/shm", "sideport-"); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { os.RemoveAll(dir) })
	data := filepath.Join(dir, "data")
	if out, err := exec.Command("fallocate", "-l", fmt.Sprint(free-room), filepath.Join(dir, "ballast")).CombinedOutput(); err != nil {
		skip(t, "no small disk can be had here: "+string(out))
	}
	return data
}

// A full disk is said, and leaves the library as it was.
func TestFullDisk(t *testing.T) {
	data := smallDisk(t)
	must(t, data, "add", folder(t, noteCase, []string{"short.mp4"}))
	before := files(t, filepath.Join(data, "files"))
	for range 2 {
		got := sideport(t, data, "add", folder(t, "title: Refused\nrecordings: [{file: large.mp4}]\n", []string{"large.mp4"}))
		if got.code != 5 || !strings.Contains(got.err, "disk that holds the library is full") {
			t.Errorf("ended with %d:\n%s%s", got.code, got.out, got.err)
		}
		untouched(t, data, before)
	}
	s := serve(t, data).signedIn(t)
	id := strings.Fields(must(t, data, "find", "already", "here"))[0]
	s.filmReady(t, id)
	before = files(t, filepath.Join(data, "files"))
	a := s.ask(t, "POST", "/uploads/", s.session, nil, "Tus-Resumable", "1.0.0", "Upload-Length", "30000000")
	if a.StatusCode != 507 || !strings.Contains(string(a.body), "room") {
		t.Errorf("an upload that does not fit: %s %s", a.Status, a.body)
	}
	if a := s.postFilm(t, "Refused", "film.mp4", read(t, film(t, "large.mp4"))); a.StatusCode < 400 {
		t.Errorf("a form with a film that does not fit: %s", a.Status)
	} else if !bytes.Contains(a.body, []byte("disk that holds the library is full")) || bytes.Contains(a.body, []byte(data)) {
		t.Errorf("a form with a film that does not fit says\n%s", cutShort(string(a.body)))
	}
	untouched(t, data, before)
	b := newTab(t, s)
	b.open("/cases/" + id + "?t=3")
	b.at(3)
}
