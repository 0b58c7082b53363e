package sample

import (
	"image"
	"math"
)

// drawGround draws the sclera with what has been cut.
func (p *painter) drawGround(s surface) {
	p.ground.copyFrom(p.plain, image.Rect(0, 0, p.ground.w, p.ground.h))
	p.cutSclera(s)
}

// drawPlain draws sclera, vessels and what surrounds the eye.
func (p *painter) drawPlain(s surface) {
	cover, edge := drapeInk, drapeDark
	if s.awake {
		cover, edge = skinInk, skinDark
	}
	mid := pt{p.v.x, float32(p.plain.h) / 2}
	ax, ay := 10.6*p.v.k, 7.7*p.v.k
	seed := p.sc.eye.seed
	full := image.Rect(0, 0, p.plain.w, p.plain.h)
	p.plain.paint(full, func(x, y float32) (ink, float32) {
		q := p.v.back(x, y)
		r := q.len()
		far := clamp32((r - p.sc.eye.limbus) / 5)
		k := scleraInk.to(scleraPink, far*far*0.9)
		k = k.lit(1.02 - 0.10*far + (-q.y-q.x)*0.006)
		k = k.to(scleraPink, 0.16*noise(q.x*0.7+9, q.y*0.7+9, 0, seed+20))
		ex, ey := abs32(x-mid.x)/ax, abs32(y-mid.y)/ay
		e := ex*ex*sqrt32(ex) + ey*ey*sqrt32(ey)
		if e > 0.8 {
			k = k.lit(1 - 0.35*step32(0.8, 1, e))
			lid := lidInk.to(cover, step32(1.0, 1.12, e)).to(edge, step32(1.02, 1.7, e))
			if !s.awake {
				lid = lidInk.lit(0.8).to(cover.lit(0.93+0.14*noise(q.x*0.5+40, q.y*2+40, 0, seed+21)), step32(1.0, 1.035, e)).to(edge, step32(1.05, 1.8, e))
			}
			k = k.to(lid, step32(0.985, 1.01, e))
		}
		return k.lit(s.light), 1
	})
	p.vessels(s)
}

// vessels draws the small vessels of the white of the eye: they come from the
// corners, wander, and thin out towards the cornea.
func (p *painter) vessels(s surface) {
	e := p.sc.eye
	for i := range int32(30) {
		deg := float64(hash01(i, 1, e.seed)) * 360
		bend := float64(hash01(i, 4, e.seed)-0.5) * 1.6
		r := e.limbus + 4.8
		a := polar(r, deg)
		width := 0.03 + 0.04*hash01(i, 2, e.seed)
		steps := 34 + int(26*hash01(i, 3, e.seed))
		for j := range steps {
			bend += float64(hash01(i, int32(j)+10, e.seed)-0.5)*0.9 - bend*0.12
			deg += bend
			r -= 0.075
			b := polar(r, deg)
			fade := 1 - float32(j)/float32(steps)
			p.plain.line(p.v.at(a), p.v.at(b), width*p.v.k*(0.4+0.6*fade), vesselInk.lit(s.light), 0.16*(0.3+0.7*fade)*lidClear(b))
			a = b
		}
	}
}

// lidClear is 1 where the white of the eye is bare and 0 under the lids.
func lidClear(q pt) float32 {
	ex, ey := abs32(q.x)/10.6, abs32(q.y)/7.7
	return step32(0.98, 0.86, ex*ex*sqrt32(ex)+ey*ey*sqrt32(ey))
}

// cutSclera draws the steps of a tunnel and the windows.
func (p *painter) cutSclera(s surface) {
	e, c, v := p.sc.eye, p.ground, p.v
	if s.peritomy > 0 {
		r := image.Rect(0, 0, c.w, int(v.y))
		c.paint(r, func(x, y float32) (ink, float32) {
			q := v.back(x, y)
			d := q.len() - e.limbus
			if d < 0.1 || d > 3.5 {
				return ink{}, 0
			}
			deg := float32(math.Atan2(float64(q.y), float64(q.x))*180/math.Pi) + 360
			side := min(deg-225, 225+90*s.peritomy-deg) * 0.1
			in := min(side, 3.2-d)
			if in < -0.25 {
				return ink{}, 0
			}
			k := bareSclera.lit(0.97 - 0.03*d)
			rim := step32(0.3, 0.05, abs32(in))
			k = k.to(scleraPink.to(vesselInk, 0.35), rim)
			k = k.to(rgb(0xb59a80), 0.5*s.cautery*step32(0.55, 0.85, noise(q.x*1.5+30, q.y*1.5+30, 0, e.seed+31))*step32(0.2, 0.9, in))
			return k, clamp32(in*4+1) * s.light
		})
	}
	if s.tunnel > 0 {
		// From the groove inwards the blade shows through as a grey band.
		c.paint(image.Rect(int(v.x-5*v.k), 0, int(v.x+5*v.k), int(v.y)), func(x, y float32) (ink, float32) {
			q := v.back(x, y)
			top := frown(e.limbus, 0.5+q.x/7).y
			in := min(3.6-abs32(q.x)*0.97, min(q.y-top, top+0.3+2.9*s.tunnel-q.y))
			return rgb(0x9d978c), 0.34 * step32(-0.1, 0.5, in)
		})
	}
	for i := range int(s.groove * 40) {
		q := float32(i) / 40
		c.line(v.at(frown(e.limbus, q)), v.at(frown(e.limbus, q+0.025)), 0.07*v.k, rgb(0x8a4a3f), 0.85)
	}
	for i, deg := range [...]float64{222, 318} {
		p.window(polar(e.limbus+2.2, deg), s.windows[i])
	}
}

// window draws a half-thickness window of the sclera, done so far.
func (p *painter) window(m pt, done float32) {
	if done <= 0 {
		return
	}
	c, v := p.ground, p.v
	at, half := v.at(m), 1.3*v.k
	u := m.unit()
	c.paint(box(at, half*2.2), func(x, y float32) (ink, float32) {
		q := pt{x - at.x, y - at.y}
		along, across := q.x*u.x+q.y*u.y, q.x*u.y-q.y*u.x
		d := max(abs32(along), abs32(across)) - half
		if e := d - half*0.55; e > -6 { // the conjunctiva, laid back
			return scleraPink.to(vesselInk, 0.2), 0.6 * step32(3, -2, e) * clamp32(done*4)
		}
		k := bareSclera.lit(0.98)
		if d < 0 {
			k = k.to(rgb(0x77808f).lit(1+0.12*along/half+0.15*(noise(x*0.08, y*0.08, 0, 3)-0.5)), done*0.85)
		}
		return k.to(rgb(0x8d5f55), step32(2.2, 0.6, abs32(d))*0.8), clamp32(done * 4)
	})
}

// drawIris draws the iris over the ground and keeps where it is opaque.
func (p *painter) drawIris(s surface) {
	e, m := p.sc.eye, p.maps
	p.base.copyFrom(p.ground, image.Rect(0, 0, p.base.w, p.base.h))
	inks := irisInks[e.seed%uint32(len(irisInks))]
	light, dark := inks[0], inks[1]
	shape := p.margin(s)
	aa := 0.9 / p.v.k
	for i := range p.hole {
		p.hole[i] = 1
	}
	var lift, ruff [64]float32
	for i := range lift {
		q := float32(i) / 63
		lift[i] = (1 - s.bow*(0.18*(1-q)-0.20*q)) * (1 - 0.35*step32(0.8, 1, q)) * s.light
		ruff[i] = step32(0.08, 0, q) * 0.8
	}
	black := dark.lit(0.3)
	p.polar(p.base, pt{}, e.limbus+0.35, func(i int) (ink, float32) {
		r, a := m.rad[i], m.ang[i]
		pr := shape[a]
		if r < pr-aa {
			p.hole[i] = 0
			return blackInk, 1
		}
		p.hole[i] = clamp32((r - pr + aa) / (2 * aa))
		j := int(clamp32((r-pr)/(e.limbus-pr)) * 63)
		l := lift[j]
		if s.billow > 0 {
			q := float32(j) / 63
			l += 0.22 * s.billow * float32(math.Sin(float64(q)*7-float64(s.phase)+float64(m.rays[a])*3)) * q * (1 - q) * 4
		}
		k := dark.to(light, clamp32(m.iris[int(a)*64+j])).lit(l)
		if j < 6 {
			k = k.to(black, ruff[j])
		}
		if s.vesselled {
			k = k.to(vesselInk, 0.5*step32(0.78, 0.86, m.rays[(int(a)*3)%angles])*(1-float32(j)/63))
		}
		if r < e.limbus-0.5 {
			return k, 1
		}
		k = k.to(limbusInk.lit(s.light), step32(e.limbus-0.5, e.limbus+0.05, r)*0.8)
		return k, step32(e.limbus+0.32, e.limbus-0.12, r)
	})
}

// margin is the pupil's radius in each direction.
func (p *painter) margin(s surface) []float32 {
	out := make([]float32, angles)
	r := s.pupil / 2
	tear := deg16(-30)
	for a := range out {
		v := r
		if s.fest > 0 {
			off := int(deg16(float32(360*a/angles) - s.festFrom))
			if float32(off) < s.fest*angles {
				stuck := noise(float32(a)/angles*11, 0.3, 11, p.sc.eye.seed+41)
				v -= r * 0.42 * stuck * step32(0, 0.05, s.fest-float32(off)/angles)
			} else {
				v += 0.25
			}
		}
		if s.notch > 0 {
			d := int(math.Abs(float64((a-int(tear)+angles/2+angles)%angles - angles/2)))
			v += s.notch * 0.95 * step32(58, 0, float32(d))
		}
		if s.billow > 0 {
			v += 0.12 * s.billow * float32(math.Sin(float64(a)/angles*6*2*math.Pi+float64(s.phase)*1.3))
		}
		out[a] = min(v, p.sc.eye.limbus-0.7)
	}
	return out
}

// look lays the pupil's contents into the hole of the iris.
func (p *painter) look(s surface) {
	m := p.maps
	ox, oy := int(p.v.x)-m.r, int(p.v.y)-m.r
	lim := min(int((s.pupil/2+2.2)*p.v.k)+4, m.r)
	for y := (m.r - lim) &^ 1; y < m.r+lim; y++ {
		if y+oy < 0 || y+oy >= p.stage.h {
			continue
		}
		half := p.chord(y, lim)
		x0, x1 := (m.r-half)&^1, m.r+half
		row := (y + oy) * p.stage.w
		for x := x0; x < x1; x++ {
			if a := p.hole[y*m.w+x]; a < 1 {
				j := row + x + ox
				p.stage.y[j] = mix(p.mid.y[j], p.stage.y[j], a)
			}
		}
		if y&1 == 1 {
			continue
		}
		crow := (y + oy) / 2 * p.stage.w / 2
		for x := x0; x < x1; x += 2 {
			if a := p.hole[y*m.w+x]; a < 1 {
				j := crow + (x+ox)/2
				p.stage.u[j], p.stage.v[j] = mix(p.mid.u[j], p.stage.u[j], a), mix(p.mid.v[j], p.stage.v[j], a)
			}
		}
	}
}

func mix(under, over byte, a float32) byte {
	return byte(float32(under) + (float32(over)-float32(under))*a + 0.5)
}

// slit draws the band of light of a slit lamp as it goes across.
func (p *painter) slit(s surface) image.Rectangle {
	v, r := p.v, p.sc.eye.limbus
	area := image.Rect(int((s.slit-0.5)*v.k+v.x), int(v.y-r*v.k), int((s.slit+1.2)*v.k+v.x), int(v.y+r*v.k))
	p.out.paint(area, func(x, y float32) (ink, float32) {
		q := v.back(x, y)
		f := q.y / r
		bulge := (1 - f*f) * 0.55
		d := abs32(q.x - s.slit - bulge)
		if d > 0.4 {
			return ink{}, 0
		}
		return rgb(0xfff4d6), 0.42 * step32(0.4, 0.12, d) * step32(r, r-0.3, q.len())
	})
	return area
}
