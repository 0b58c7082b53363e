package sample

import "math"

// drawCapsule draws the front capsule: its dye, its opening and the flap.
func (p *painter) drawCapsule(s scene, reach float32) {
	l, m, c, v := s.lens, p.maps, p.mid, p.v
	o := v.at(bag(l))
	if l.stain > 0 {
		edge := p.opening(l)
		soft := 1.2 / v.k
		full := 0.46 * l.stain
		if l.iol.part > 0.9 {
			full *= 0.55
		}
		p.polar(c, bag(l), reach+0.9, func(i int) (ink, float32) {
			d := m.rad[i] - edge[m.ang[i]]
			return dyeInk, full * clamp32(d/soft+0.5)
		})
	}
	bright := rgb(0xffe7c4)
	if l.stain > 0.2 {
		bright = rgb(0x9db4f0)
	}
	strong := float32(0.6)
	if l.iol.part > 0.9 {
		strong = 0.35
	}
	switch {
	case l.open > 0 && (l.tear.bites || l.iol.capture > 0):
		p.roughEdge(s, bright, strong)
	case l.open > 0:
		c.arc(o, l.open*v.k, 0.6, 0, 360, bright, strong)
		c.arc(o, l.open*v.k+1.6, 0.7, 0, 360, blackInk, 0.16)
	}
	if l.tear.part > 0 && l.tear.part < 1 {
		p.drawTear(l, bright, s.front.flap)
	}
}

// opening is how far the capsule is open in each direction.
func (p *painter) opening(l lens) []float32 {
	out := make([]float32, angles)
	from := deg16(l.tear.from)
	for a := range out {
		out[a] = l.open
		if l.tear.part > 0 && l.tear.part < 1 {
			if float32((uint16(a)-from)%angles) < l.tear.part*angles {
				out[a] = max(l.open, p.edgeAt(l.tear, a))
			}
		}
	}
	return out
}

// edgeAt is the radius of a tear's edge in one direction.
func (p *painter) edgeAt(t tear, a int) float32 {
	r := t.radius
	if t.run > 0 {
		d := int(math.Abs(float64((a-int(deg16(t.runAt))+angles/2+angles)%angles - angles/2)))
		r += t.run * step32(110, 0, float32(d))
	}
	if t.bites {
		r += 0.12 * float32(math.Abs(math.Sin(float64(a)/angles*math.Pi*26)))
	}
	return r
}

// drawTear draws the edge made so far and the flap at its end.
func (p *painter) drawTear(l lens, bright ink, flap bool) {
	v, c := p.v, p.mid
	steps := int(l.tear.part * 72)
	at := func(i int) pt {
		deg := float64(l.tear.from) + float64(i)*5
		return v.at(polar(p.edgeAt(l.tear, int(deg16(float32(deg)))), deg).add(bag(l)))
	}
	for i := range steps {
		c.line(at(i).add(pt{1, 1.4}), at(i+1).add(pt{1, 1.4}), 1, rgb(0x5a2a16), 0.4)
		c.line(at(i), at(i+1), 0.9, bright, 0.85)
	}
	if !flap || l.tear.bites {
		return
	}
	end := float64(l.tear.from + 360*l.tear.part)
	tip := v.at(polar(l.tear.radius*0.70, end-12).add(bag(l)))
	sheet := rgb(0xfdf3e4)
	if l.stain > 0.2 {
		sheet = rgb(0x7e97e6)
	}
	for i := range 6 {
		f := float32(i) / 6
		a := v.at(polar(l.tear.radius*(0.98-0.04*f), end-float64(f)*34*float64(min(1, l.tear.part*3))).add(bag(l)))
		c.stroke(a, tip, 0.26*v.k, 0.08*v.k, func(along, across float32) (ink, float32) {
			return sheet.to(whiteInk, 0.4*along), 0.26 * (1 - across*across)
		})
	}
}

// roughEdge draws an edge in bites, or one pulled oval by a captured optic.
func (p *painter) roughEdge(s scene, k ink, alpha float32) {
	l, v := s.lens, p.v
	t := l.tear
	t.radius = l.open
	last := pt{}
	for i := range 73 {
		deg := float64(i) * 5
		r := p.edgeAt(t, int(deg16(float32(deg))))
		if l.iol.capture > 0 {
			d := math.Cos((deg - float64(l.iol.turn)) * math.Pi / 180)
			r += l.iol.capture * float32(0.75*d*d-0.3)
		}
		q := v.at(polar(r, deg).add(bag(l)))
		if i > 0 {
			p.mid.line(last, q, 0.8, k, alpha)
		}
		last = q
	}
}

// drawImplant draws the lens as it comes in, unfolds and turns.
func (p *painter) drawImplant(s scene) {
	i, v, c := s.lens.iol, p.v, p.mid
	o := v.at(i.from)
	open := clamp32((i.part - 0.2) / 0.8)
	if i.rigid {
		open = 1
	}
	r := float32(3.0) * v.k
	if i.rigid {
		r = 2.8 * v.k
	}
	ax, ay := r*(0.55+0.45*open), r*(0.22+0.78*open)
	turn := float64(i.turn) + 90
	cs, sn := cosd(turn), sind(turn)
	p.haptics(i, o, open)
	c.paint(box(o, r+3), func(x, y float32) (ink, float32) {
		dx, dy := x-o.x, y-o.y
		qx, qy := (dx*cs+dy*sn)/ax, (-dx*sn+dy*cs)/ay
		d := sqrt32(qx*qx + qy*qy)
		if d > 1.04 {
			return ink{}, 0
		}
		e := (1 - d) * min(ax, ay)
		rim := step32(2.6, 0.6, abs32(e-1.2))
		glint := step32(0.2, 0.02, abs32(sqrt32((dx+r*0.25)*(dx+r*0.25)+(dy+r*0.3)*(dy+r*0.3))/r-0.48)) * clamp32(-dy/r+0.2)
		k := rgb(0xffe2b8).to(whiteInk, max(rim, glint))
		return k, clamp32(e+0.5) * (0.10 + 0.62*rim + 0.35*glint + 0.25*(1-open))
	})
	if i.capture > 0 {
		p.captured(i, o, r)
	}
}

// captured darkens the optic's rim where the capsule now lies before it.
func (p *painter) captured(i implant, o pt, r float32) {
	for k := range 2 {
		from := float64(i.turn) + float64(k)*180 + 50
		p.mid.arc(o, r-2.5, 2.5, from, 80, rgb(0x6b3a22), 0.35*i.capture)
	}
}

// haptics draws the two arms of the lens.
func (p *painter) haptics(i implant, o pt, open float32) {
	v, c := p.v, p.mid
	k := rgb(0xbcd3ea)
	width := 0.13 * v.k
	if i.three || i.rigid {
		k, width = rgb(0x4f6fc0), 0.06*v.k
	}
	if open < 0.15 {
		return
	}
	for side := range 2 {
		base := float64(i.turn) + float64(side)*180
		last := pt{}
		for j := range 15 {
			f := float64(j) / 14
			r := (2.85 + 2.1*math.Sin(f*math.Pi*0.62)) * float64(0.5+0.5*open)
			q := o.add(polar(float32(r)*v.k, base+20-f*92))
			if j > 0 {
				c.line(last, q, width, k, 0.85)
			}
			last = q
		}
	}
}
