package sample

import (
	"image"
	"math"
)

// bagRadius is the radius of the lens in its bag, and nucleusRadius that of its
// hard part, in millimetres.
const (
	bagRadius     = 4.7
	nucleusRadius = 3.5
	goldenRadius  = 2.55
)

// bag is how far the lens lies off the middle.
func bag(l lens) pt { return pt{l.dx, l.dy} }

// drawBack draws what lies behind the nucleus: the red reflex, the posterior
// capsule, and the shell and cortex.
func (p *painter) drawBack(s scene) {
	l, m := s.lens, p.maps
	e := p.sc.eye
	reach := s.surface.pupil/2 + 2.2
	glow := l.reflex
	if !l.nucleus.there {
		glow += (1 - glow) * (1 - l.cortex)
	}
	p.polar(p.back, pt{}, reach, func(i int) (ink, float32) {
		r := m.rad[i]
		k := reflexMid.to(reflexRim, clamp32(r/4.4)).lit(0.28 + 0.78*glow)
		return k.lit(s.surface.light), 1
	})
	p.drawRetro(l)
	if e.loose && (l.dx != 0 || l.dy != 0) {
		p.edgeOfBag(l)
	}
	body := p.body(l)
	from := deg16(float32(p.mainAngle()) + 150)
	p.polar(p.back, bag(l), min(reach+0.8, bagRadius), func(i int) (ink, float32) {
		k, a := body(i)
		if l.cortex < 1 {
			swept := m.ang[i] - from
			gone := step32(-0.03, 0.03, (1-l.cortex)-float32(swept%angles)/angles)
			a *= 1 - gone
		}
		return k.lit(s.surface.light), a
	})
}

func (p *painter) mainAngle() float64 {
	g := gig{sc: p.sc}
	return g.main()
}

// drawRetro draws what is on the posterior capsule and behind it.
func (p *painter) drawRetro(l lens) {
	c, v := p.back, p.v
	o := v.at(bag(l))
	if l.plaque > 0 {
		c.disc(o, 0.8*v.k, func(d float32) (ink, float32) { return rgb(0xe8ddc8), 0.5 * (1 - d*d*d) })
	}
	if l.streak > 0 && p.sc.eye.myope {
		c.line(v.at(pt{l.dx - 1.6, l.dy + 0.9}), v.at(pt{l.dx + 0.3, l.dy + 2.1}), 0.05*v.k, rgb(0xffe0c0), 0.5)
	}
	if l.post.part > 0 {
		rim := l.post.radius * v.k
		c.disc(o, rim, func(d float32) (ink, float32) { return rgb(0xffa867), 0.22 * clamp32(l.post.part*2) })
		c.arc(o, rim, 0.9, float64(l.post.from), float64(360*l.post.part), rgb(0xffe9d2), 0.85)
	}
	if l.hole > 0 {
		at := v.at(pt{l.dx + 0.7, l.dy + 0.5})
		r := (0.5 + 1.3*l.hole) * v.k
		c.paint(box(at, r*1.7), func(x, y float32) (ink, float32) {
			dx, dy := (x-at.x)*0.8+(y-at.y)*0.3, (y-at.y)*1.25-(x-at.x)*0.2
			d := sqrt32(dx*dx+dy*dy)/r + 0.3*(noise(dx/v.k*0.9+5, dy/v.k*0.9+5, 0, 5)-0.5)
			k := rgb(0xffa05c).to(rgb(0xc9421f), clamp32(d))
			k = k.to(rgb(0xffe6cc), step32(0.07, 0.01, abs32(d-0.95))*0.6)
			return k, step32(1.02, 0.97, d) * 0.8
		})
	}
	for i := range int32(7) {
		if l.vitreous <= 0 {
			break
		}
		f := hash01(i, 3, 91)
		a := v.at(polar(0.3+1.2*f, float64(i)*51))
		b := v.at(polar(1.6+1.4*hash01(i, 4, 91), float64(i)*51+30))
		c.stroke(a, b, 0.05*v.k, 0.16*v.k, func(along, across float32) (ink, float32) {
			return whiteInk, 0.17 * l.vitreous * (1 - across*across)
		})
	}
}

// edgeOfBag shows the bright crescent past the edge of a lens out of place.
func (p *painter) edgeOfBag(l lens) {
	o, r := p.v.at(bag(l)), float32(bagRadius-0.55)*p.v.k
	all := image.Rect(int(p.v.x-5*p.v.k), int(p.v.y-5*p.v.k), int(p.v.x+5*p.v.k), int(p.v.y+5*p.v.k))
	p.back.paint(all, func(x, y float32) (ink, float32) {
		d := pt{x, y}.sub(o).len() - r
		k := rgb(0xffb27a)
		return k.to(rgb(0xfff1de), step32(3, 0, abs32(d))), step32(-1, 1, d) * 0.75
	})
}

// body is the look of the lens around its nucleus, by kind.
func (p *painter) body(l lens) func(i int) (ink, float32) {
	bare := p.bareCortex(l)
	if l.epi <= 0 {
		return bare
	}
	full, shell := p.fullBody(l), step32(0, 0.6, l.epi)
	if shell >= 1 {
		return full
	}
	return func(i int) (ink, float32) {
		k, a := full(i)
		k2, a2 := bare(i)
		return k2.to(k, shell), a2 + (a-a2)*shell
	}
}

// fullBody is the look with the shell still there.
func (p *painter) fullBody(l lens) func(i int) (ink, float32) {
	kind := p.sc.eye.kind
	switch {
	case kind == white:
		return p.whiteBody(l)
	case kind == polarRings:
		return p.ringBody(l)
	case kind == lamellar:
		return p.shellBody(l)
	}
	m, tint, thick := p.maps, corticalIn, float32(0.34)
	switch kind {
	case brown:
		tint, thick = rgb(0xb98a52), 0.6
	case soft:
		tint, thick = rgb(0xd8d2c2), 0.32
	case hazy:
		tint, thick = rgb(0xcfcabc), 0.6
	}
	return func(i int) (ink, float32) {
		r := m.rad[i]
		t := p.cloud(i)
		shell := thick * (0.55 + 0.6*t) * (0.45 + 0.55*l.epi)
		wedge := 0.16 * step32(0.55, 0.80, m.rays[m.ang[i]]) * step32(2.2, 3.8, r) * l.cortex
		return tint.lit(0.9 + 0.2*t), clamp32(shell + wedge)
	}
}

// cloud is the texture of the lens at a place.
func (p *painter) cloud(i int) float32 {
	return p.maps.lens[int(p.maps.ang[i])*64+int(clamp32(p.maps.rad[i]/bagRadius)*63)]
}

// bareCortex is what is left when nucleus and shell are out.
func (p *painter) bareCortex(l lens) func(i int) (ink, float32) {
	k, thick := corticalIn, l.cortexThick(p.sc.eye.kind)
	if p.sc.eye.kind == white {
		k = milkInk
	}
	return func(i int) (ink, float32) {
		return k, clamp32(0.16+0.75*step32(1.6, 3.2, p.maps.rad[i])*(0.55+0.6*p.cloud(i))) * thick
	}
}

// whiteBody is pearl, with clefts while it is swollen.
func (p *painter) whiteBody(l lens) func(i int) (ink, float32) {
	m := p.maps
	return func(i int) (ink, float32) {
		r := m.rad[i]
		q := clamp32(r / bagRadius)
		k := pearlInk.to(milkInk, p.cloud(i)).lit(1 - 0.10*q*q)
		cleft := step32(0.70, 0.80, m.rays[m.ang[i]]) * step32(0.5, 1.4, r) * l.swell
		return k.to(rgb(0xc9ccd0), 0.7*cleft).to(rgb(0xab9d83), 0.75*(1-l.swell)), 0.95
	}
}

// ringBody is clear but for the onion rings at the back.
func (p *painter) ringBody(l lens) func(i int) (ink, float32) {
	return func(i int) (ink, float32) {
		r := p.maps.rad[i]
		ring := 0.5 + 0.5*float32(math.Cos(float64(r)*2*math.Pi/0.34))
		dense := step32(0.95, 0.55, r)
		rings := step32(2.0, 0.8, r) * (0.15 + 0.6*ring)
		haze := 0.10 + 0.18*step32(2.6, 3.4, r)*l.epi
		return rgb(0xefe7d6), clamp32(max(dense*0.92, rings*0.8)*step32(0, 0.35, l.epi) + haze)
	}
}

// shellBody is a lamellar opacity with its riders.
func (p *painter) shellBody(l lens) func(i int) (ink, float32) {
	m := p.maps
	return func(i int) (ink, float32) {
		r := m.rad[i]
		shell := step32(0.34, 0.05, abs32(r-2.35)) * 0.8
		inner := 0.42 * step32(2.4, 2.1, r)
		rider := step32(0.30, 0.05, abs32(r-2.75)) * step32(0.68, 0.76, m.rays[m.ang[i]]) * 0.9
		return rgb(0xece8e0), clamp32(max(shell, inner, rider)*l.epi + 0.05)
	}
}

func (l lens) cortexThick(kind cataract) float32 {
	switch kind {
	case brown, polarRings:
		return 0.6
	case white:
		return 0.85
	}
	return 0.75
}

// drawCore lays the nucleus, but for the piece at the tip, on the back.
func (p *painter) drawCore(s scene) {
	reach := s.surface.pupil/2 + 2.4
	p.core.copyFrom(p.back, box(p.v.at(pt{}), reach*p.v.k))
	if n := s.lens.nucleus; n.there && n.front < 0.5 {
		p.drawNucleus(s, reach)
	}
}

// drawLens draws the pupil's contents: the back and the nucleus at rest, the
// piece at the tip, the front capsule and the implant.
func (p *painter) drawLens(s scene) {
	l, c := s.lens, p.mid
	reach := s.surface.pupil/2 + 2.4
	c.copyFrom(p.core, box(p.v.at(pt{}), reach*p.v.k))
	if n := l.nucleus; n.there && n.front < 0.5 && n.pieces > 0 && n.split > 0 {
		base, opaque := p.nucleusInk(l)
		p.drawPiece(s, base, opaque)
	}
	if l.golden > 0 {
		o := p.v.at(bag(l))
		g := l.golden * clamp32(l.epi*1.5)
		c.arc(o, goldenRadius*p.v.k, 0.13*p.v.k, p.mainAngle()+150, float64(360*l.golden), goldInk, 0.75*g)
		c.arc(o, goldenRadius*p.v.k, 0.05*p.v.k, p.mainAngle()+150, float64(360*l.golden), rgb(0xfff6cf), 0.9*g)
	}
	if l.wave > 0 && l.wave < 1 {
		p.drawWave(l)
	}
	if l.drop > 0 && l.drop < 1 {
		p.drawDrop(l)
	}
	p.drawRing(l)
	if l.iol.part > 0 {
		p.drawImplant(s)
	}
	p.drawCapsule(s, reach)
}

// drawWave draws the front of fluid that runs across behind the lens.
func (p *painter) drawWave(l lens) {
	v := p.v
	d := polar(1, float64(l.waveDir))
	o := bag(l)
	at := o.add(d.mul(4.4 - 8.8*l.wave))
	r := float32(4.5) * v.k
	c := v.at(at.add(d.mul(4.2)))
	lens := v.at(o)
	p.mid.paint(box(c, r+8), func(x, y float32) (ink, float32) {
		if (pt{x, y}).sub(lens).len() > (bagRadius-0.3)*v.k {
			return ink{}, 0
		}
		e := (pt{x, y}).sub(c).len() - r
		if e > 10 || e < -26 {
			return ink{}, 0
		}
		if e < 0 {
			return rgb(0xffd9a8), 0.30 * step32(-26, 0, e)
		}
		return rgb(0x57210f), 0.40 * step32(10, 0, e)
	})
}

// drawDrop draws the fragment that falls away: smaller, darker, out of focus.
func (p *painter) drawDrop(l lens) {
	at := p.v.at(pt{0.7 + 0.9*l.drop, 0.5 + 1.1*l.drop})
	r := (1.15 - 0.75*l.drop) * p.v.k
	base, _ := p.nucleusInk(l)
	p.mid.disc(at, r, func(d float32) (ink, float32) {
		soft := step32(1, 0.75-0.5*l.drop, d)
		return base.lit(0.95 - 0.55*l.drop), soft * (0.95 - 0.8*l.drop)
	})
}

// drawRing draws the tension ring as it slides along the equator.
func (p *painter) drawRing(l lens) {
	if l.ctr <= 0 {
		return
	}
	o := p.v.at(bag(l))
	from := p.mainAngle() + 20
	p.mid.arc(o, 4.15*p.v.k, 1.4, from, 320*float64(l.ctr), ringInk, 0.9)
	if l.ctr < 1 {
		w := p.v.at(polar(4.6, p.mainAngle()))
		mid := p.v.at(polar(2.7, p.mainAngle()+40))
		end := o.add(polar(4.15*p.v.k, from))
		p.mid.line(w, mid, 1.4, ringInk, 0.9)
		p.mid.line(mid, end, 1.4, ringInk, 0.9)
	}
}
