package sample

import (
	"bytes"
	"image"
	"image/jpeg"
	"strings"

	"sideport/annotate"
)

// The size of a photograph, in pixels.
const (
	photoWidth  = 960
	photoHeight = 720
)

// Photos draws the stills of a case: the eye at the slit lamp before surgery and
// at the visits after it. The key is the still's file: "opening.jpg" for a view
// before surgery, "day1.jpg" for "day 1".
func Photos(c annotate.Case) map[string][]byte {
	out := map[string][]byte{}
	for i := range c.Stills {
		var b bytes.Buffer
		// A bytes.Buffer takes everything and the picture is of a legal size.
		_ = jpeg.Encode(&b, Photo(c, i), &jpeg.Options{Quality: 86})
		out[photoFile(c.Stills[i].When)] = b.Bytes()
	}
	return out
}

func photoFile(when string) string {
	if before(when) {
		return "opening.jpg"
	}
	return strings.ReplaceAll(when, " ", "") + ".jpg"
}

func before(when string) bool { return when == "" || strings.HasPrefix(when, "before") }

// Photo draws still i of a case.
func Photo(c annotate.Case, i int) image.Image {
	st := c.Stills[i]
	sc := newScript(c, c.Length())
	var s scene
	if before(st.When) {
		s = sc.at(0)
	} else {
		s = sc.at(sc.length + 1e6)
		healed(&s, strings.ToLower(st.Words+" "+visit(c, st.When)))
	}
	s.surface.awake, s.surface.light, s.surface.slitOn, s.surface.slit = true, 0.82, true, -2.6
	s.surface.down, s.tools = 0, nil
	p := newPainter(sc, photoWidth, photoHeight)
	p.follow(s)
	p.slit(s.surface)
	return picture(p.out)
}

// visit is what the outcome says of the eye at that time.
func visit(c annotate.Case, when string) string {
	for _, o := range c.Outcome {
		if o.When == when {
			return o.Words
		}
	}
	return ""
}

// healed is what a night changes, and what the words of the visit say.
func healed(s *scene, words string) {
	s.surface.pupil, s.surface.bow, s.surface.billow = max(4.4, min(s.surface.pupil, 5.2)), 0.1, 0
	f := &s.front
	f.ovd, f.plume, f.milk, f.specks, f.cool, f.hydrate, f.hooks, f.bubble = 0, 0, 0, 0, 0, 0.35, 0, 0
	s.lens.stain *= 0.25
	s.lens.vitreous = 0
	switch {
	case strings.Contains(words, "marked") || strings.Contains(words, "fibrin"):
		f.membrane = 0.4
	case strings.Contains(words, "folds"):
		f.folds = 1
	case strings.Contains(words, "haze"):
		f.folds = 0.5
	}
}

// picture turns BT.601 planes of limited range into an RGB picture.
func picture(c *canvas) image.Image {
	out := image.NewRGBA(image.Rect(0, 0, c.w, c.h))
	for y := range c.h {
		for x := range c.w {
			j := y/2*(c.w/2) + x/2
			l := 1.164384 * (float32(c.y[y*c.w+x]) - 16)
			u, v := float32(c.u[j])-128, float32(c.v[j])-128
			i := out.PixOffset(x, y)
			out.Pix[i] = byte8(l + 1.596027*v)
			out.Pix[i+1] = byte8(l - 0.391762*u - 0.812968*v)
			out.Pix[i+2] = byte8(l + 2.017232*u)
			out.Pix[i+3] = 255
		}
	}
	return out
}

func byte8(v float32) byte { return byte(min(max(v+0.5, 0), 255)) }
