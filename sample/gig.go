package sample

import "math"

// gig is one act at one instant: what it has to work with and to change.
type gig struct {
	*scene
	sc *script
	a  *act
	t  float64 // seconds into the film
	p  float32 // how much of the act is done
	on bool    // it is going on now
}

// at composes the scene at t seconds: every act that has begun leaves its mark,
// in order, and those going on bring their instruments.
func (sc *script) at(t float64) scene {
	s := sc.opening()
	sc.hold(&s, t)
	for i := range sc.acts {
		a := &sc.acts[i]
		if a.from > t {
			break
		}
		g := gig{scene: &s, sc: sc, a: a, t: t, p: 1, on: t < a.to}
		if g.on && a.to > a.from {
			g.p = float32((t - a.from) / (a.to - a.from))
		}
		if d, ok := pupilOf(a.words); ok && a.kind != "factor" {
			s.surface.pupil += (d - s.surface.pupil) * step32(0.15, 0.6, g.within(40))
		}
		if f, ok := moves[a.concept]; ok {
			f(&g)
		}
	}
	s.surface.bow += sc.bottleAt(t)
	s.surface.pupil = min(max(s.surface.pupil, 1.5), 9)
	return s
}

// hold stills the hands for a moment at each decision.
func (sc *script) hold(s *scene, t float64) {
	for _, at := range sc.pauses {
		s.still = max(s.still, step32(0, 0.6, float32(t-at))*step32(4, 3, float32(t-at)))
	}
}

// bottleAt is what a bottle off its usual height does to the chamber.
func (sc *script) bottleAt(t float64) float32 {
	v := float32(0)
	for _, h := range sc.height {
		if h.at <= t {
			v = float32(h.value-1) * 0.5
		}
	}
	if sc.last > 0 && t > sc.last-20 {
		return 0
	}
	return v
}

func (sc *script) opening() scene {
	e := sc.eye
	var s scene
	s.surface = surface{light: 1, pupil: e.pupil, vesselled: e.vessels}
	s.lens = lens{reflex: 1, epi: 1, cortex: 1, rot: 0, nucleus: nucleus{there: true, deep: 1}}
	if e.synech {
		s.surface.fest, s.front.membrane = 1, 1
	}
	if e.notch {
		s.surface.notch = 1
	}
	if e.shallow {
		s.surface.bow = -0.35
	}
	if e.dull {
		s.lens.reflex = 0.45
	}
	switch e.kind {
	case white:
		s.lens.reflex, s.lens.swell = 0.25, 1
	case brown:
		s.lens.reflex = 0.5
	}
	if e.sublux {
		s.lens.dx, s.lens.dy = -0.7, 0.75
		s.front.strand = 1
	}
	if e.scar {
		s.front.haze = 1
	}
	if sc.has("f.pc-plaque") {
		s.lens.plaque = 1
	}
	if sc.has("f.preexisting-pc-defect") || sc.eye.myope {
		s.lens.streak = 1
	}
	return s
}

// within is how far the act has got in its first so many seconds.
func (g *gig) within(seconds float64) float32 {
	return clamp32(float32((g.t - g.a.from) / seconds))
}

// span is how far the act has got between two parts of its time.
func (g *gig) span(a, b float32) float32 { return step32(a, b, g.p) }

// reach is 1 while the hands are inside and less while they come and go.
func (g *gig) reach() float32 {
	in := step32(0.1, 1.7, float32(g.t-g.a.from))
	return in * step32(0, 1.5, float32(g.a.to-g.t))
}

// sway is a slow wander around 0, different for each number.
func (g *gig) sway(n int, speed float64) float32 {
	t := g.t*speed + float64(n)*1.7
	v := 0.6*math.Sin(t*1.9) + 0.4*math.Sin(t*3.3+float64(n))
	return float32(v) * (1 - g.still)
}

// beat runs from 0 to 1 and back, smoothly, every so many seconds.
func (g *gig) beat(seconds float64) float32 {
	return float32(0.5-0.5*math.Cos(2*math.Pi*g.t/seconds))*(1-g.still) + 0.5*g.still
}

// The wounds, as angles: the main wound, the second hand's port, and the port
// opposite. A left eye is the mirror image; a tunnel lies above.
func (g *gig) main() float64 {
	switch {
	case g.sc.eye.above:
		return 270
	case g.sc.eye.left:
		return 124
	}
	return 56
}

func (g *gig) side() float64 {
	switch {
	case g.sc.eye.above:
		return 200
	case g.sc.eye.left:
		return 12
	}
	return 168
}

func (g *gig) other() float64 { return 180 - g.side() }

// rim is the place on the cornea's edge at an angle.
func (g *gig) rim(deg float64) pt { return polar(g.sc.eye.limbus-0.15, deg) }

// use puts a tool through the wound at deg with its tip at p, when the act is on.
func (g *gig) use(kind toolKind, deg float64, p pt) *tool {
	if !g.on {
		return &tool{}
	}
	return g.useIn(kind, deg, p, g.reach())
}

// useIn does so with the hands in only so far.
func (g *gig) useIn(kind toolKind, deg float64, p pt, in float32) *tool {
	if !g.on || in <= 0.01 {
		return &tool{}
	}
	w := g.rim(deg)
	out := w.add(w.unit().mul(5))
	if in < 0.35 {
		p = out.lerp(w, in/0.35)
	} else {
		p = w.lerp(p, (in-0.35)/0.65)
	}
	n := len(g.tools)
	j := pt{g.sway(n, 0.9), g.sway(n+5, 0.8)}.mul(0.07)
	g.tools = append(g.tools, tool{kind: kind, tip: p.add(j), wound: w, inside: in > 0.35})
	return &g.tools[n]
}
