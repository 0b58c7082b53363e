package sample

import (
	"context"
	"image"
	"iter"
	"math"
	"slices"

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
	plain  *canvas // sclera and lids, untouched
	ground *canvas // and with what has been cut
	base   *canvas // and iris
	back   *canvas // the lens without its nucleus
	core   *canvas // and with the part of the nucleus that is at rest
	mid    *canvas // the pupil's contents
	stage  *canvas // everything but the hands
	out    *canvas
	hole   []float32 // how opaque the iris is, by the index of the map
	now    scene
	drawn  bool
	tools  []tool // of the frame before
	dirty  []image.Rectangle
}

func newPainter(sc *script, w, h int) *painter {
	p := &painter{sc: sc, plain: newCanvas(w, h), ground: newCanvas(w, h), base: newCanvas(w, h), back: newCanvas(w, h),
		core: newCanvas(w, h), mid: newCanvas(w, h), stage: newCanvas(w, h), out: newCanvas(w, h)}
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
	fresh := false
	if slow || !p.drawn {
		fresh = p.follow(s)
	}
	p.snap(s.tools)
	if !fresh && !s.surface.slitOn && slices.Equal(s.tools, p.tools) {
		return p.out.pix // nothing has moved
	}
	p.tools = s.tools
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
		if tl.behind {
			p.cover(h.dirty)
		}
		p.dirty = append(p.dirty, h.dirty)
	}
	return p.out.pix
}

// snap takes the tools to half pixels, so that a hand that hardly moves costs
// nothing.
func (p *painter) snap(tools []tool) {
	for i := range tools {
		t := &tools[i]
		t.tip = pt{grid(t.tip.x, 2*p.v.k), grid(t.tip.y, 2*p.v.k)}
		t.open, t.buzz = grid(t.open, 8), grid(t.buzz, 4)
	}
}

// follow brings the layers up to the scene, from the first that has changed, and
// says whether any has.
func (p *painter) follow(s scene) bool {
	s.surface.slit = 0 // the beam is drawn with the hands
	old, all := p.now, !p.drawn
	ground := all || groundOf(old.surface) != groundOf(s.surface)
	iris := ground || old.surface != s.surface
	lensBack := ground || old.surface.pupil != s.surface.pupil || backOf(old.lens) != backOf(s.lens)
	if !lensBack && old.lens == s.lens && old.front == s.front {
		return false
	}
	p.now, p.drawn = s, true
	p.v.y = float32((filmShift(s.surface.down, p.v.k) + p.out.h/2) &^ 1)
	if all || plainOf(old.surface) != plainOf(s.surface) {
		p.drawPlain(s.surface)
	}
	if ground {
		p.drawGround(s.surface)
	}
	if iris {
		p.drawIris(s.surface)
	}
	if lensBack {
		p.drawBack(s)
	}
	if lensBack || coreOf(old.lens) != coreOf(s.lens) {
		p.drawCore(s)
	}
	p.drawLens(s)
	p.stage.copyFrom(p.base, image.Rect(0, 0, p.stage.w, p.stage.h))
	p.look(s.surface)
	p.drawFront(s)
	p.out.copyFrom(p.stage, image.Rect(0, 0, p.out.w, p.out.h))
	return true
}

// cover lays iris and sclera back over a tool that works behind them.
func (p *painter) cover(r image.Rectangle) {
	m, ox, oy := p.maps, int(p.v.x)-p.maps.r, int(p.v.y)-p.maps.r
	over := func(x, y float32) float32 {
		i, j := int(x)-ox, int(y)-oy
		if i < 0 || j < 0 || i >= m.w || j >= m.w {
			return step32(p.sc.eye.limbus+2, p.sc.eye.limbus+1.8, p.v.back(x, y).len())
		}
		if k := j*m.w + i; m.rad[k] < p.sc.eye.limbus {
			return p.hole[k]
		}
		return step32(p.sc.eye.limbus+2, p.sc.eye.limbus+1.8, m.rad[j*m.w+i])
	}
	p.out.paint(p.out.fit(r), func(x, y float32) (ink, float32) {
		i, j := int(y)*p.out.w+int(x), int(y)/2*(p.out.w/2)+int(x)/2
		return ink{float32(p.stage.y[i]), float32(p.stage.u[j]), float32(p.stage.v[j])}, over(x, y)
	})
}

// filmShift is how many pixels the eye has gone down.
func filmShift(down, k float32) int { return int(down * 1.9 * k) }

// groundOf keeps what the sclera and lids depend on.
func groundOf(s surface) surface {
	return surface{awake: s.awake, light: s.light, down: s.down, peritomy: s.peritomy, cautery: s.cautery,
		groove: s.groove, tunnel: s.tunnel, windows: s.windows}
}

// plainOf keeps what they depend on before anything is cut.
func plainOf(s surface) surface { return surface{awake: s.awake, light: s.light, down: s.down} }

// backOf keeps what the layer behind the nucleus depends on.
func backOf(l lens) lens {
	l.tear, l.nucleus, l.iol = tear{}, nucleus{there: l.nucleus.there, shrink: 0, front: min(l.nucleus.front, 0.01)}, implant{}
	l.wave, l.waveDir, l.rot, l.drop, l.ctr, l.open, l.stain = 0, 0, 0, 0, 0, 0, 0
	return l
}

// coreOf keeps what the nucleus at rest depends on, besides.
func coreOf(l lens) lens {
	n := l.nucleus
	n.gone, n.phase, n.out = floor(n.gone+0.999), 0, 0
	return lens{nucleus: n, rot: l.rot, dx: l.dx, dy: l.dy}
}

// round takes the scene to steps that the eye can tell apart, so that a layer
// is drawn again only when it would look different.
func (s *scene) round() {
	for _, f := range []*float32{&s.surface.pupil, &s.surface.down, &s.surface.light, &s.lens.tear.part, &s.lens.rot} {
		*f = grid(*f, 50)
	}
	for _, f := range []*float32{&s.surface.fest, &s.surface.festFrom, &s.surface.notch, &s.surface.bow, &s.surface.billow,
		&s.surface.peritomy, &s.surface.cautery, &s.surface.groove, &s.surface.tunnel, &s.surface.windows[0], &s.surface.windows[1],
		&s.lens.reflex, &s.lens.swell, &s.lens.stain, &s.lens.epi, &s.lens.cortex, &s.lens.golden, &s.lens.hole, &s.lens.vitreous,
		&s.lens.nucleus.grooves[0], &s.lens.nucleus.grooves[1], &s.lens.nucleus.crater, &s.lens.nucleus.shrink, &s.lens.nucleus.deep,
		&s.lens.wave, &s.front.ovd, &s.front.pool, &s.front.bubble, &s.front.hydrate, &s.front.haze, &s.front.oblique, &s.front.specks, &s.front.milk,
		&s.front.plume, &s.front.ring, &s.front.ringOut, &s.front.membrane, &s.front.strand, &s.front.hooks, &s.front.cool} {
		*f = grid(*f, 30)
	}
	if !s.lens.nucleus.there || s.lens.nucleus.gone == float32(int(s.lens.nucleus.gone)) {
		s.lens.nucleus.phase = 0
	}
	s.lens.dx, s.lens.dy = grid(s.lens.dx, 15), grid(s.lens.dy, 15)
	s.lens.nucleus.split = grid(s.lens.nucleus.split, 6)
}

func grid(v, steps float32) float32 { return floor(v*steps+0.5) / steps }
