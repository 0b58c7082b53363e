package sample_test

import (
	"bytes"
	"context"
	"crypto/sha256"
	"flag"
	"fmt"
	"image/jpeg"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"sideport/annotate"
	"sideport/sample"
)

var update = flag.Bool("update", false, "write the golden files anew")

func sec(m, s float64) annotate.Time { return annotate.FromSeconds(m*60 + s) }

func TestFilmIsDeterministicAndWhole(t *testing.T) {
	_, c := named(t, "intumescent-white")
	f := sample.Draw(c, 40*annotate.Second)
	sum := func() (string, int) {
		h, n := sha256.New(), 0
		for frame := range f.Frames(t.Context()) {
			if len(frame) != f.Width*f.Height*3/2 {
				t.Fatalf("a frame of %d bytes", len(frame))
			}
			h.Write(frame)
			n++
		}
		return fmt.Sprintf("%x", h.Sum(nil)), n
	}
	a, n := sum()
	if b, _ := sum(); a != b {
		t.Error("two drawings of one film differ")
	}
	if n != 400 || f.Count() != 400 {
		t.Errorf("%d frames of %d, want 400", n, f.Count())
	}
}

func TestFramesStopWithTheContext(t *testing.T) {
	_, c := named(t, "intumescent-white")
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	n := 0
	for range sample.Draw(c, 40*annotate.Second).Frames(ctx) {
		if n++; n == 3 {
			cancel()
		}
	}
	if n != 3 {
		t.Errorf("%d frames after the context had ended at 3", n)
	}
}

// tiles are the mean values of 12 × 9 fields of each plane: what a frame looks
// like, without the last bit of another processor's arithmetic.
func tiles(f sample.Film, frame []byte) []int {
	var out []int
	w, h := f.Width, f.Height
	for _, p := range []struct{ at, w, h int }{{0, w, h}, {w * h, w / 2, h / 2}, {w * h * 5 / 4, w / 2, h / 2}} {
		for i := range 108 {
			x0, y0, n, sum := i%12*p.w/12, i/12*p.h/9, 0, 0
			for y := y0; y < y0+p.h/9; y++ {
				for x := x0; x < x0+p.w/12; x++ {
					sum += int(frame[p.at+y*p.w+x])
					n++
				}
			}
			out = append(out, sum/n)
		}
	}
	return out
}

func TestFramesLookAsTheyDid(t *testing.T) {
	var lines []string
	for _, c := range sample.Cases() {
		f := sample.Draw(read(t, c).Case, c.Length)
		for part := range annotate.Time(4) {
			at := c.Length * (2*part + 1) / 8
			lines = append(lines, fmt.Sprint(c.Name, " ", at, " ", strings.Trim(fmt.Sprint(tiles(f, f.Frame(at))), "[]")))
		}
	}
	golden := filepath.Join("testdata", "frames.golden")
	if *update {
		if err := os.MkdirAll("testdata", 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(golden, []byte(strings.Join(lines, "\n")+"\n"), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	raw, err := os.ReadFile(golden)
	if err != nil {
		t.Fatal(err)
	}
	want := strings.Split(strings.TrimSpace(string(raw)), "\n")
	if len(want) != len(lines) {
		t.Fatalf("%d frames, want %d; run with -update if that is meant", len(lines), len(want))
	}
	for i, got := range lines {
		if d := apart(t, got, want[i]); d > 2 {
			t.Errorf("%s is %v apart from what it was; look at it, and run with -update if it is meant", strings.Join(strings.Fields(got)[:2], " "), d)
		}
	}
}

// apart is the largest difference of two golden lines.
func apart(t *testing.T, a, b string) float64 {
	t.Helper()
	x, y := strings.Fields(a), strings.Fields(b)
	if len(x) != len(y) || x[0] != y[0] || x[1] != y[1] {
		return math.Inf(1)
	}
	most := 0.0
	for i := 2; i < len(x); i++ {
		var p, q float64
		if _, err := fmt.Sscan(x[i]+" "+y[i], &p, &q); err != nil {
			t.Fatal(err)
		}
		most = max(most, math.Abs(p-q))
	}
	return most
}

// part counts, in the middle of the frame, the chroma samples of a colour.
func part(f sample.Film, frame []byte, is func(u, v byte) bool) int {
	w, h := f.Width/2, f.Height/2
	u, v := frame[4*w*h:5*w*h], frame[5*w*h:]
	n := 0
	for y := h/2 - 70; y < h/2+70; y++ {
		for x := w/2 - 70; x < w/2+70; x++ {
			if is(u[y*w+x], v[y*w+x]) {
				n++
			}
		}
	}
	return n
}

func warm(u, v byte) bool { return v > 142 && u < 115 }
func blue(u, v byte) bool { return u > 138 && v < 128 }

func TestThePupilFollowsTheRecord(t *testing.T) {
	c, r := named(t, "floppy-iris-ring")
	f := sample.Draw(r, c.Length)
	before, drug, ring, after := part(f, f.Frame(sec(0, 48)), warm), part(f, f.Frame(sec(1, 27.5)), warm), part(f, f.Frame(sec(4, 19)), warm), part(f, f.Frame(sec(10, 3)), warm)
	// Areas go as the square: 2.8, 4.1 and 6.3 mm.
	for _, w := range []struct {
		name      string
		got, want float64
	}{{"phenylephrine", float64(drug) / float64(before), 4.1 * 4.1 / (2.8 * 2.8)}, {"ring", float64(ring) / float64(before), 6.3 * 6.3 / (2.8 * 2.8)}} {
		if w.got < w.want*0.75 || w.got > w.want*1.25 {
			t.Errorf("after the %s the pupil is %.1f times as large, want %.1f", w.name, w.got, w.want)
		}
	}
	if after >= ring {
		t.Error("the pupil does not come down when the ring is out")
	}
}

func TestDyeAndLens(t *testing.T) {
	c, r := named(t, "intumescent-white")
	f := sample.Draw(r, c.Length)
	if n := part(f, f.Frame(sec(0, 34)), blue); n > 50 {
		t.Errorf("%d samples are blue before the dye", n)
	}
	if n := part(f, f.Frame(sec(0, 57)), blue); n < 3000 {
		t.Errorf("only %d samples are blue after the dye", n)
	}
	c, r = named(t, "brunescent-leathery-plate")
	f = sample.Draw(r, c.Length)
	dark := middle(f, f.Frame(sec(0, 29)))
	bright := middle(f, f.Frame(sec(12, 9)))
	if dark > 80 || bright < dark+25 {
		t.Errorf("the brown lens has a brightness of %d, and %d when it is gone", dark, bright)
	}
}

// middle is the mean brightness of the lens, off the lights on the cornea.
func middle(f sample.Film, frame []byte) int {
	sum, n := 0, 0
	for y := f.Height/2 + 20; y < f.Height/2+50; y++ {
		for x := f.Width/2 - 20; x < f.Width/2+20; x++ {
			sum += int(frame[y*f.Width+x])
			n++
		}
	}
	return sum / n
}

// made is a small record of one's own.
func made(notes ...annotate.Note) annotate.Case {
	return annotate.Case{Title: "made", Factors: []annotate.Factor{{Term: annotate.Term{Concept: "f.small-pupil"}, Grade: "5 mm"}}, Notes: notes}
}

func stageOf(concept, words string, from, to float64) annotate.Note {
	return annotate.Note{Kind: "stage", Term: annotate.Term{Concept: concept}, Words: words, Span: annotate.Span{From: sec(0, from), To: sec(0, to)}}
}

func TestOnlyTheRecordIsDrawn(t *testing.T) {
	at := sec(1, 0)
	plain := sample.Draw(made(), 2*annotate.Minute)
	dyed := sample.Draw(made(stageOf("st.capsule-staining", "", 10, 40)), 2*annotate.Minute)
	if part(plain, plain.Frame(at), blue) != 0 || part(dyed, dyed.Frame(at), func(u, v byte) bool { return u > 128 }) < 1000 {
		t.Error("the dye is drawn without a note, or not with one")
	}
	wide := sample.Draw(made(stageOf("st.ovd-injection", "Pupil 7.5 mm.", 5, 20)), 2*annotate.Minute)
	if a, b := part(plain, plain.Frame(at), warm), part(wide, wide.Frame(at), warm); b < a*3/2 {
		t.Errorf("the pupil has %d samples at 5 mm and %d at 7.5", a, b)
	}
	same := sample.Draw(made(annotate.Note{Kind: "remark", Words: "nothing to see", Span: annotate.At(sec(0, 3))}), 2*annotate.Minute)
	if !bytes.Equal(plain.Frame(at), same.Frame(at)) {
		t.Error("a remark changes the picture")
	}
}

func TestOddRecordsAreDrawn(t *testing.T) {
	for name, c := range map[string]annotate.Case{
		"nothing":        {},
		"ends before":    made(stageOf("st.capsulorhexis", "900 mm, 0 mm", 30, 10)),
		"no length":      made(stageOf("st.nucleus-removal", "", 10, 10)),
		"far out":        made(stageOf("st.cortex", "", -50, 1e6)),
		"wrong order":    made(stageOf("st.iol-insertion", "", 0, 10), stageOf("st.nucleus-delivery", "", 10, 20), stageOf("st.peritomy", "", 5, 30)),
		"pupil too wide": made(stageOf("st.ovd-injection", "Pupil 19.9 mm", 0, 1)),
	} {
		t.Run(name, func(t *testing.T) {
			n := 0
			for range sample.Draw(c, 12*annotate.Second).Frames(t.Context()) {
				n++
			}
			if n != 120 {
				t.Errorf("%d frames, want 120", n)
			}
		})
	}
	for range sample.Draw(made(), 0).Frames(t.Context()) {
		t.Error("a film without length has a frame")
	}
}

func TestPhotos(t *testing.T) {
	for _, c := range sample.Cases() {
		d := read(t, c)
		got := sample.Photos(d.Case)
		for _, f := range d.Files {
			if f.Use != "still" {
				continue
			}
			img, err := jpeg.Decode(bytes.NewReader(got[f.Path]))
			if err != nil || img.Bounds().Dx() != 960 {
				t.Errorf("%s: %s is not a photograph: %v", c.Name, f.Path, err)
			}
		}
		if bytes.Equal(got["opening.jpg"], got["day1.jpg"]) {
			t.Errorf("%s: the eye looks the same before and after", c.Name)
		}
	}
}

func BenchmarkFrames(b *testing.B) {
	c, r := named(b, "loose-bag-rupture")
	f := sample.Draw(r, c.Length)
	n := 0
	for b.Loop() {
		for range f.Frames(b.Context()) {
			n++
		}
	}
	b.ReportMetric(float64(b.Elapsed().Microseconds())/float64(n), "µs/frame")
}
