package sample

import (
	"context"
	"image"
	"iter"
	"math"

	"sideport/annotate"
)

// The frame of every film, in pixels, and how many a second.
const (
	filmWidth  = 576
	filmHeight = 432
	filmRate   = 10
)

// Film is a schematic film of a case: a stylised view through the operating
// microscope, drawn from the notes of its record and nothing else.
type Film struct {
	Width, Height int
	Rate          annotate.Rate
	Length        annotate.Time
	script        *script
}

// Draw makes a film of the given length. The same case gives the same bytes.
func Draw(c annotate.Case, length annotate.Time) Film {
	return Film{Width: filmWidth, Height: filmHeight, Rate: annotate.Rate{Num: filmRate, Den: 1},
		Length: length, script: newScript(c, length)}
}

// Count is the number of frames.
func (f Film) Count() int64 {
	return int64(math.Round(f.Length.Seconds() * f.Rate.Float()))
}

// Frames yields the frames in order as planes of YUV 4:2:0 (8 bits, BT.601,
// limited range), Y then U then V. Each is the same buffer, overwritten by the
// next; it ends early when ctx does.
func (f Film) Frames(ctx context.Context) iter.Seq[[]byte] {
	return func(yield func([]byte) bool) {
		p := newPainter(f.script, f.Width, f.Height)
		for n := range f.Count() {
			if ctx.Err() != nil || !yield(p.frame(f.Rate.TimeOf(n).Seconds(), n%2 == 0)) {
				return
			}
		}
	}
}

// Frame draws the one frame on the screen at t, from nothing: what Frames gives
// there may differ in the eye by a tenth of a second.
func (f Film) Frame(t annotate.Time) []byte {
	return newPainter(f.script, f.Width, f.Height).frame(t.Seconds(), true)
}

// painter draws scenes, and draws again only what has changed: the ground
// (sclera and lids), the iris on it, the lens behind the pupil, what lies before
// the iris, and last, on each frame, the instruments.
type painter struct {
	sc     *script
	v      view
	maps   *maps
	ground *canvas // sclera, lids
	base   *canvas // and iris
	back   *canvas // the lens without its nucleus
	mid    *canvas // the pupil's contents
	stage  *canvas // everything but the hands
	out    *canvas
	hole   []float32 // how opaque the iris is, by the index of the map
	now    scene
	drawn  bool
	dirty  []image.Rectangle
}

func newPainter(sc *script, w, h int) *painter {
	p := &painter{sc: sc, ground: newCanvas(w, h), base: newCanvas(w, h), back: newCanvas(w, h),
		mid: newCanvas(w, h), stage: newCanvas(w, h), out: newCanvas(w, h)}
	p.v = view{x: float32(w / 2), y: float32(h / 2), k: float32(h) / 14.2}
	p.maps = newMaps(sc.eye, p.v.k)
	p.hole = make([]float32, len(p.maps.rad))
	return p
}

// frame draws the frame at t; the eye itself follows only where slow is set, the
// hands always.
func (p *painter) frame(t float64, slow bool) []byte {
	s := p.sc.at(t)
	s.round()
	if slow || !p.drawn {
		p.follow(s)
	}
	for _, r := range p.dirty {
		p.out.copyFrom(p.stage, r)
	}
	p.dirty = p.dirty[:0]
	h := &hand{c: p.out, v: p.v}
	if s.surface.slitOn {
		p.dirty = append(p.dirty, p.slit(s.surface))
	}
	for _, tl := range s.tools {
		h.dirty = image.Rectangle{}
		h.draw(tl)
		p.dirty = append(p.dirty, h.dirty)
	}
	return p.out.pix
}

// follow brings the layers up to the scene, from the first that has changed.
func (p *painter) follow(s scene) {
	old, all := p.now, !p.drawn
	ground := all || groundOf(old.surface) != groundOf(s.surface)
	iris := ground || old.surface != s.surface
	lensBack := iris || backOf(old.lens) != backOf(s.lens)
	if !lensBack && old.lens == s.lens && old.front == s.front {
		return
	}
	p.now, p.drawn = s, true
	p.v.y = float32((filmShift(s.surface.down, p.v.k) + p.out.h/2) &^ 1)
	if ground {
		p.drawGround(s.surface)
	}
	if iris {
		p.drawIris(s.surface)
	}
	if lensBack {
		p.drawBack(s)
	}
	p.drawLens(s)
	p.stage.copyFrom(p.base, image.Rect(0, 0, p.stage.w, p.stage.h))
	p.look(s.surface)
	p.drawFront(s)
	p.out.copyFrom(p.stage, image.Rect(0, 0, p.out.w, p.out.h))
}

// filmShift is how many pixels the eye has gone down.
func filmShift(down, k float32) int { return int(down * 1.9 * k) }

// groundOf keeps what the sclera and lids depend on.
func groundOf(s surface) surface {
	return surface{awake: s.awake, light: s.light, down: s.down, peritomy: s.peritomy, cautery: s.cautery,
		groove: s.groove, tunnel: s.tunnel, windows: s.windows}
}

// backOf keeps what the layer behind the nucleus depends on.
func backOf(l lens) lens {
	l.tear, l.nucleus, l.iol = tear{}, nucleus{there: l.nucleus.there, shrink: 0, front: min(l.nucleus.front, 0.01)}, implant{}
	l.wave, l.waveDir, l.rot, l.drop, l.ctr, l.open, l.stain = 0, 0, 0, 0, 0, 0, 0
	return l
}

// round takes the scene to steps that the eye can tell apart, so that a layer
// is drawn again only when it would look different.
func (s *scene) round() {
	for _, f := range []*float32{&s.surface.pupil, &s.surface.down, &s.surface.light, &s.lens.dx, &s.lens.dy, &s.lens.tear.part, &s.lens.rot} {
		*f = grid(*f, 50)
	}
	for _, f := range []*float32{&s.surface.fest, &s.surface.festFrom, &s.surface.notch, &s.surface.bow, &s.surface.billow,
		&s.surface.peritomy, &s.surface.cautery, &s.surface.groove, &s.surface.tunnel, &s.surface.windows[0], &s.surface.windows[1],
		&s.lens.reflex, &s.lens.swell, &s.lens.stain, &s.lens.epi, &s.lens.cortex, &s.lens.golden, &s.lens.hole, &s.lens.vitreous,
		&s.front.ovd, &s.front.pool, &s.front.bubble, &s.front.hydrate, &s.front.haze, &s.front.oblique, &s.front.specks, &s.front.milk,
		&s.front.plume, &s.front.ring, &s.front.ringOut, &s.front.membrane, &s.front.strand, &s.front.hooks, &s.front.cool} {
		*f = grid(*f, 30)
	}
	if !s.lens.nucleus.there || s.lens.nucleus.gone == float32(int(s.lens.nucleus.gone)) {
		s.lens.nucleus.phase = 0
	}
	s.surface.slit = 0 + s.surface.slit
}

func grid(v, steps float32) float32 { return floor(v*steps+0.5) / steps }
