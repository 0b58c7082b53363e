package e2e

import (
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"
)

// marker is an invented word that the recorder wrote into its films; nobody may
// ever read it again.
const marker = "Quellfenrath"

// recipes say how the films of the journeys are drawn, by file name.
var recipes = map[string]string{
	// Long enough for the example of the README.
	"film.mp4": "-f lavfi -i testsrc2=s=320x240:r=5:d=400 -f lavfi -i sine=f=330:d=400 -c:v libx264 -preset ultrafast -g 10 -pix_fmt yuv420p -c:a aac -b:a 32k -shortest",
	// What browsers play in another container.
	"film.webm": "-f lavfi -i testsrc2=s=160x120:r=10:d=60 -c:v libvpx -deadline realtime -cpu-used 16 -threads 2 -g 20 -pix_fmt yuv420p",
	// What no browser plays.
	"old.mkv": "-f lavfi -i testsrc2=s=320x240:r=25:d=60 -f lavfi -i sine=f=330:d=60 -c:v mpeg4 -q:v 6 -c:a libmp3lame -shortest",
	// Small, for cases of which there are many.
	"short.mp4": "-f lavfi -i testsrc2=s=160x120:r=25:d=30 -c:v libx264 -preset ultrafast -g 25 -pix_fmt yuv420p",
	"other.mp4": "-f lavfi -i testsrc=s=160x120:r=25:d=31 -c:v libx264 -preset ultrafast -g 25 -pix_fmt yuv420p",
	"photo.png": "-f lavfi -i testsrc2=s=320x240:d=1 -frames:v 1",
	// Large, for what is to be interrupted: noise does not shrink.
	"large.mp4": "-f lavfi -i testsrc2=s=640x480:r=25:d=3 -vf noise=alls=90:allf=t -c:v libx264 -preset ultrafast -qp 12 -pix_fmt yuv420p",
}

var drawing sync.Mutex

// film draws a film when it is first asked for and gives its path.
func film(t *testing.T, name string) string {
	t.Helper()
	need(t, "ffmpeg")
	path, err := draw(name)
	if err != nil {
		t.Fatal(err)
	}
	return path
}

func draw(name string) (string, error) {
	drawing.Lock()
	defer drawing.Unlock()
	path := filepath.Join(work, name)
	if _, err := os.Stat(path); err == nil {
		return path, nil
	}
	made := filepath.Join(work, "half-"+name)
	args := append(strings.Fields("-nostdin -v error -y "+recipes[name]), "-metadata", "title="+marker, "-metadata", "artist="+marker, made)
	if out, err := exec.Command("ffmpeg", args...).CombinedOutput(); err != nil {
		return "", fmt.Errorf("draw %s: %w\n%s", name, err, out)
	}
	return path, os.Rename(made, path)
}

// folder makes the folder of a case: its case.yaml, films by name and whatever
// else, given as name and words.
func folder(t *testing.T, yaml string, films []string, others ...string) string {
	t.Helper()
	dir := t.TempDir()
	fillFolder(t, dir, yaml, films, others...)
	return dir
}

func fillFolder(t *testing.T, dir, yaml string, films []string, others ...string) {
	t.Helper()
	write(t, filepath.Join(dir, "case.yaml"), yaml)
	for _, f := range films {
		if err := os.Link(film(t, f), filepath.Join(dir, f)); err != nil {
			t.Fatal(err)
		}
	}
	for i := 0; i+1 < len(others); i += 2 {
		write(t, filepath.Join(dir, others[i]), others[i+1])
	}
}

func write(t *testing.T, path, words string) string {
	t.Helper()
	if err := os.WriteFile(path, []byte(words), 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

// readmeCase is the example of the README, word for word: what a stranger does first.
func readmeCase(t *testing.T) string {
	t.Helper()
	b, err := os.ReadFile("../../README.md")
	if err != nil {
		t.Fatal(err)
	}
	_, rest, ok := strings.Cut(string(b), "```yaml\n")
	yaml, _, closed := strings.Cut(rest, "```")
	if !ok || !closed {
		t.Fatal("the README shows no case.yaml")
	}
	return yaml
}

const narration = `WEBVTT

00:00:05.000 --> 00:00:09.000
the lens trembles when the eye moves

00:03:52.000 --> 00:03:58.500
now the chopper goes under the rhexis edge

00:05:10.250 --> 00:05:14.000
the bag moves with the tip, so no groove
`

// hostileCase says things that break what is built by pasting.
const hostileCase = `title: "</title><script>alert(1)</script> -->"
discretion: false
recordings:
  - {file: film.webm, captions: [{file: en.vtt}, {file: de.vtt, language: de}]}
notes:
  - {kind: stage, concept: "--> 00:00:02.000 <b>&amp;", from: 1, to: 6}
  - {kind: stage, concept: "NOTE & <v A>", from: 6, to: 12.345}
  - {kind: stage, concept: cortex removal, from: 20, to: 30}
  - {kind: remark, at: 3, words: "<img src=x onerror=alert(1)> & \"quoted\" 'words' {{.}} ${x}"}
  - {kind: teaching point, at: 4, words: "a\n\n00:00:01.000 --> 00:00:02.000\ninjected"}
hindsight: "</textarea><script>alert(2)</script>"
consent: {audience: own unit, obtained: 2026-03-01}
status: published
`

const hostileCaptions = `WEBVTT

NOTE a comment that is nobody's word

a --&gt; b
00:00:01.000 --> 00:00:03.250
&lt;b&gt;not bold&lt;/b&gt; &amp;amp; 5 &lt; 6

style of speech
00:00:03.250 --> 00:00:04.001 align:start position:10%
<v Anna>two lines
and <i>a second</i></v> & more

00:00:05.000 --> 00:00:06.000
水晶体 🔬 لا توجد مشكلة
`

// common is the library that the journeys share which only read.
type common struct {
	*server
	story, hostile, old, covered, full string // ids of cases
}

var (
	commonOnce sync.Once
	commonOf   *common
)

// shared starts the common library when it is first asked for.
func shared(t *testing.T) *common {
	t.Helper()
	need(t, "ffmpeg", "ffprobe")
	commonOnce.Do(func() {
		s, err := launch(filepath.Join(work, "common"), "127.0.0.1:0")
		if err != nil {
			t.Fatal(err)
		}
		commonOf = &common{server: s.signedIn(t)}
		commonOf.story = must(t, s.data, "add", folder(t, readmeCase(t), []string{"film.mp4"}, "film.vtt", narration))
		commonOf.hostile = must(t, s.data, "add", folder(t, hostileCase, []string{"film.webm"}, "en.vtt", hostileCaptions, "de.vtt", narration))
		commonOf.old = must(t, s.data, "add", folder(t, oldCase, []string{"old.mkv"}))
		commonOf.full = must(t, s.data, "add", folder(t, fullCase, []string{"short.mp4", "other.mp4", "photo.png"}, "en.vtt", hostileCaptions))
		commonOf.covered = must(t, s.data, "add", folder(t, coveredCase, []string{"short.mp4"}))
	})
	if commonOf == nil || commonOf.covered == "" {
		t.Fatal("the common library could not be started")
	}
	for _, id := range []string{commonOf.story, commonOf.hostile, commonOf.old, commonOf.covered, commonOf.full} {
		commonOf.filmReady(t, id)
	}
	return commonOf
}

func endCommon() {
	if commonOf != nil {
		commonOf.stop()
	}
}

const oldCase = `title: From the old recorder
discretion: false
recordings: [{file: old.mkv}]
notes: [{kind: remark, at: 21.3, words: the pupil comes down}]
consent: {audience: professionals, obtained: 2026-03-01}
status: published
`

const coveredCase = `title: Kept covered
discretion: true
recordings: [{file: short.mp4}]
consent: {audience: own unit, obtained: 2026-03-01}
status: published
`

// fullCase has something to show in every part of the record.
const fullCase = `title: Everything at once, in a title that is long enough to need a second line on a telephone
summary: A case that fills every part of the record.
procedure: phacoemulsification
surgeon: consultant
eye: right
patient: {age_band: 70-79, sex: female}
factors:
  - {concept: phacodonesis, grade: 4 clock hours, known: before}
  - {concept: small pupil, known: during}
plan:
  - {challenge: {concept: zonular weakness}, strategy: chop and then a ring, stand_by: [capsule hooks, CTR]}
  - {challenge: {concept: small pupil}, strategy: stretch it}
recordings:
  - {file: short.mp4, role: microscope, captions: en.vtt}
  - {file: other.mp4, role: theatre camera, offset: 2s}
stills: [{file: photo.png, when: before, words: the eye in the chair}]
notes:
  - {kind: stage, concept: capsulorhexis, from: 1, to: 8}
  - {kind: stage, concept: nucleus removal, from: 8, to: 20}
  - {kind: stage, concept: cortex removal, from: 21, to: 28, state: pencilled}
  - {kind: technique, concept: horizontal chop, from: 9, to: 15, words: the equator is drawn to the tip}
  - {kind: technique, concept: CTR, at: 16}
  - {kind: factor, concept: phacodonesis, at: 3, grade: 4 clock hours}
  - {kind: setting, at: 8, mode: chop, values: {vacuum: 350 mmHg, aspiration_flow: 28 mL/min}, usual: {vacuum: 400 mmHg}}
  - {kind: decision, at: 10, from: groove, to: chop without a groove, sign: the bag moves, because: chopping spares the zonules}
  - {kind: complication, concept: posterior capsule rupture, at: 18, words: a clear round hole}
  - {kind: teaching point, at: 12, words: Let the chopper do the work.}
  - {kind: remark, at: 14, words: seen from the other camera, recording: other.mp4}
hindsight: Hooks before the first chop.
outcome: [{when: day 1, visual_acuity: 6/12, iop: 16 mmHg}, {when: week 4, visual_acuity: 6/6, words: quiet}]
consent: {audience: professionals, obtained: 2026-03-01, reference: R-17}
status: published
`
