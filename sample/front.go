package sample

import (
	"image"
	"math"
)

// drawFront draws what lies between the iris and the surgeon.
func (p *painter) drawFront(s scene) {
	f := s.front
	if s.lens.nucleus.there && s.lens.nucleus.front >= 0.5 {
		p.wholeNucleus(s.lens)
	}
	p.expander(s)
	p.capsuleHooks(s)
	p.membrane(s)
	p.clouds(f)
	p.gel(f)
	p.wounds(s)
	p.cornea(s)
}

// wholeNucleus draws the nucleus once it lies before the iris.
func (p *painter) wholeNucleus(l lens) {
	base, _ := p.nucleusInk(l)
	at := pt{0, -l.nucleus.out * 9.4}
	r := float32(nucleusRadius) * 0.98
	o := p.v.at(at)
	squeeze := 1 - 0.12*float32(math.Sin(float64(clamp32(l.nucleus.out*1.2))*math.Pi))
	p.stage.paint(box(o, (r+0.6)*p.v.k), func(x, y float32) (ink, float32) {
		q := pt{(x - o.x) / p.v.k / squeeze, (y - o.y) / p.v.k}
		d := q.len()
		if d > r {
			return blackInk, 0.3 * step32(r+0.5, r, d)
		}
		h := clamp32(1 - (q.x+0.9)*(q.x+0.9)/14 - (q.y+1.2)*(q.y+1.2)/14)
		k := base.lit(0.65+0.75*h+0.2*(noise(q.x*1.6+9, q.y*1.6+9, 0, 77)-0.5)).to(goldInk, 0.18*step32(r-0.9, r, d))
		return k.to(whiteInk, 0.3*step32(0.9, 1, h)), step32(r, r-0.06, d)
	})
}

// expander draws a ring that holds the pupil open, in four loops.
func (p *painter) expander(s scene) {
	q := s.front.ring
	if q <= 0.02 {
		return
	}
	v, c := p.v, p.stage
	r := s.surface.pupil/2 + 0.02
	out := s.front.ringOut
	o := v.at(polar(3.2*step32(0.6, 1, out), p.mainAngle()))
	for k := range 4 {
		a := float64(k)*90 + 45
		on := clamp32(q*5-float32(k)-0.6) * (1 - clamp32(out*8-float32(k)))
		b := polar((r+0.30*on)*(0.5+0.5*min(q*2, 1)), a)
		n := polar((r+0.30*on)*(0.5+0.5*min(q*2, 1)), a+90)
		pa, pb := o.add(b.mul(v.k)), o.add(n.mul(v.k))
		mid := pa.lerp(pb, 0.5).lerp(o, -0.28)
		c.line(pa, mid, 0.085*v.k, ringInk, 0.95)
		c.line(mid, pb, 0.085*v.k, ringInk, 0.95)
		c.arc(pa, 0.27*v.k, 0.075*v.k, 0, 360, rgb(0x86a8f0), 0.95)
	}
}

// capsuleHooks draws flexible hooks from the limbus to the capsule's edge.
func (p *painter) capsuleHooks(s scene) {
	n := s.front.hooks
	v, c := p.v, p.stage
	for k := range int(n + 0.999) {
		in := clamp32(n - float32(k))
		deg := -75 + float64(k)*52
		if s.front.hookMost == 2 {
			deg = -60 + float64(k)*70
		}
		edge := polar(max(s.lens.open, 1.5)+0.25*in, deg).add(bag(s.lens))
		rim := polar(p.sc.eye.limbus+1.7, deg)
		end := rim.lerp(edge, in)
		c.line(v.at(rim), v.at(end), 0.055*v.k, hookInk, 0.95)
		c.line(v.at(end), v.at(end.add(polar(0.32, deg+140))), 0.055*v.k, hookInk, 0.95)
		stop := polar(p.sc.eye.limbus+0.35, deg)
		c.disc(v.at(stop), 0.26*v.k, func(float32) (ink, float32) { return rgb(0xd9dfe8), 0.95 })
	}
}

// membrane draws the sheet in a sealed pupil, peeled as far as it is.
func (p *painter) membrane(s scene) {
	q := s.front.membrane
	if q <= 0 {
		return
	}
	m := p.maps
	r := s.surface.pupil/2 + 0.15
	from := deg16(-60)
	p.polar(p.stage, pt{}, r, func(i int) (ink, float32) {
		d := m.rad[i]
		a := (m.ang[i] - from) % angles
		if d > r || float32(a) < (1-q)*angles {
			return ink{}, 0
		}
		t := m.lens[int(m.ang[i])*64+int(clamp32(d/4)*63)]
		return rgb(0xd9d4c6), (0.30 + 0.5*t) * step32(r, r-0.3, d) * 0.9
	})
}

// clouds draws dye, milk, drugs, crystals and the strand of vitreous.
func (p *painter) clouds(f front) {
	v, c := p.v, p.stage
	lim := p.sc.eye.limbus
	if f.pool > 0 {
		c.glow(v.at(pt{}), lim*1.05*v.k, dyeInk, 0.72*f.pool)
		c.glow(v.at(pt{-0.6, 0.4}), 3.4*v.k, dyeInk, 0.4*f.pool)
	}
	if f.milk > 0 {
		for i := range int32(5) {
			a := f.milkAt.add(polar(0.5*float32(i)*0.55, float64(i)*97))
			c.glow(v.at(a), (1.0+0.35*float32(i))*v.k, milkInk, 0.45*f.milk)
		}
	}
	if f.plume > 0 {
		k := rgb(0xd6ecf2)
		if f.white {
			k = whiteInk
		}
		for i := range int32(6) {
			a := f.plumeAt.add(polar(0.42*float32(i), float64(i)*115))
			c.glow(v.at(a), (0.9+0.25*float32(i))*v.k, k, 0.34*f.plume)
		}
	}
	for i := range int32(60) {
		if f.specks <= 0 {
			break
		}
		at := polar(3.1*sqrt32(hash01(i, 1, 5)), float64(hash01(i, 2, 5))*360)
		if f.strand > 0 {
			at = polar(1.4+3.2*hash01(i, 1, 5), -42+24*float64(hash01(i, 2, 5)))
		}
		c.glow(v.at(at), (0.12+0.12*hash01(i, 3, 5))*v.k, whiteInk, 0.95*f.specks)
	}
	if f.strand > 0 {
		for i := range int32(4) {
			a, b := v.at(polar(0.9+0.25*float32(i), -55+12*float64(i))), v.at(polar(5.0, -38+5*float64(i)))
			c.stroke(a, b, 0.3*v.k, 0.12*v.k, func(_, across float32) (ink, float32) {
				return whiteInk, 0.16 * f.strand * (1 - across*across)
			})
		}
	}
}

// gel draws the sheen of viscoelastic and an air bubble.
func (p *painter) gel(f front) {
	v, c := p.v, p.stage
	lim := p.sc.eye.limbus
	for i := range int32(9) {
		if f.ovd <= 0.02 {
			break
		}
		r := (0.8 + (lim-1.9)*hash01(i, 1, p.sc.eye.seed)) * (0.35 + 0.65*f.ovd)
		deg := float64(hash01(i, 2, p.sc.eye.seed)) * 360
		size := (0.35 + 0.5*hash01(i, 3, p.sc.eye.seed)) * v.k
		at := v.at(polar(r, deg))
		c.glow(at, size*1.5, whiteInk, 0.10*f.ovd)
		c.glow(at.add(pt{-size * 0.35, -size * 0.4}), size*0.5, whiteInk, 0.5*f.ovd)
	}
	if f.bubble > 0 {
		o, r := v.at(pt{0.3, -0.2}), 3.6*f.bubble*v.k
		c.disc(o, r, func(d float32) (ink, float32) {
			return whiteInk.to(blackInk, step32(0.9, 0.97, d)*0.6), 0.10 + 0.5*step32(0.86, 0.97, d)
		})
		c.glow(o.add(pt{-r * 0.45, -r * 0.5}), r*0.3, whiteInk, 0.8)
	}
}

// wounds draws ports, the main wound, their whitening and sutures.
func (p *painter) wounds(s scene) {
	f, v, c := s.front, p.v, p.stage
	g := gig{sc: p.sc}
	lim := p.sc.eye.limbus
	mark := func(deg float64, half, part float32) {
		if part <= 0 {
			return
		}
		w := part * half
		a, b := polar(lim-0.1, deg).add(polar(w, deg+90)), polar(lim-0.1, deg).add(polar(w, deg-90))
		c.line(v.at(a), v.at(b), 0.055*v.k, rgb(0x4d3a35), 0.8)
		c.line(v.at(a.mul(0.88)), v.at(b.mul(0.88)), 0.035*v.k, whiteInk, 0.45)
		if f.hydrate > 0 {
			c.glow(v.at(polar(lim-0.7, deg)), (0.6+half*0.8)*v.k, whiteInk, 0.55*f.hydrate)
		}
	}
	wide := float32(1.15)
	if p.sc.eye.above {
		wide = 3
	}
	mark(g.main(), wide, f.wound)
	for i := range f.ports {
		mark([...]float64{g.side(), g.other()}[i%2], 0.5, 1)
	}
	for i := range f.sutures {
		deg := [...]float64{g.main(), g.side(), g.other()}[i%3]
		a, b := polar(lim-0.75, deg+1), polar(lim+0.55, deg-1)
		c.line(v.at(a), v.at(b), 0.035*v.k, threadInk, 0.95)
		c.disc(v.at(b), 0.09*v.k, func(float32) (ink, float32) { return threadInk, 0.95 })
	}
	if f.iris > 0 {
		r := s.surface.pupil/2 + 0.5
		c.line(v.at(polar(r, -44)), v.at(polar(r, -16)), 0.035*v.k, threadInk, 0.9*f.iris)
		c.disc(v.at(polar(r, -30)), 0.1*v.k, func(float32) (ink, float32) { return threadInk, 0.9 * f.iris })
	}
	if f.cool > 0 {
		c.glow(v.at(polar(lim+0.2, g.main())), 1.9*v.k, rgb(0xd9f0ff), 0.55*f.cool)
	}
}

// cornea draws scar, guttata and the lights of the microscope on the cornea.
func (p *painter) cornea(s scene) {
	f, v, c := s.front, p.v, p.stage
	if p.sc.eye.guttata {
		for i := range int32(70) {
			at := polar(2.1*sqrt32(hash01(i, 6, p.sc.eye.seed)), float64(hash01(i, 7, p.sc.eye.seed))*360)
			c.disc(v.at(at), 0.055*v.k, func(float32) (ink, float32) { return rgb(0xf8e7c2), 0.34 })
		}
	}
	if f.haze > 0 {
		p.scar(f)
	}
	for i := range int(f.folds * 8) {
		a, b := polar(1.1+0.5*float32(i%3), float64(i)*45+10), polar(4.3, float64(i)*45+22)
		c.stroke(v.at(a), v.at(b), 0.16*v.k, 0.07*v.k, func(_, across float32) (ink, float32) {
			return whiteInk, 0.2 * (1 - across*across)
		})
	}
	if f.folds > 0 {
		c.glow(v.at(pt{}), 5.6*v.k, rgb(0xdfe8ee), 0.22*f.folds)
	}
	if f.oblique > 0 {
		at := v.at(polar(p.sc.eye.limbus-1.2, 210))
		c.glow(at, 5*v.k, rgb(0xfff2d0), 0.22*f.oblique)
	}
	a := s.surface.light * (1 - 0.55*f.oblique)
	c.glow(v.at(pt{-1.5, -2.6}), 2.6*v.k, whiteInk, 0.13*a)
	for _, q := range [...]pt{{-0.62, -0.35}, {0.5, -0.42}} {
		c.glow(v.at(q), 0.42*v.k, whiteInk, 0.4*a)
		c.disc(v.at(q), 0.15*v.k, func(float32) (ink, float32) { return whiteInk, 0.95 * a })
	}
}

func (p *painter) scar(f front) {
	v, seed := p.v, p.sc.eye.seed
	clear := 0.80 - 0.5*f.oblique
	o := v.at(pt{0.15, 0.1})
	p.stage.paint(image.Rect(int(o.x-2.3*v.k), int(o.y-2.3*v.k), int(o.x+2.3*v.k), int(o.y+2.3*v.k)), func(x, y float32) (ink, float32) {
		q := pt{(x - o.x) / v.k, (y - o.y) / v.k}
		r := q.len() + 0.5*(noise(q.x*1.3+20, q.y*1.3+20, 0, seed+50)-0.5)
		t := noise(q.x*2.6+30, q.y*2.6+30, 0, seed+51)
		return rgb(0xdfe3e4), clear * (0.55 + 0.45*t) * step32(1.75, 1.0, r)
	})
}
