package sample

import "math"

// nucleusInk is the nucleus's colour and how much of the reflex it hides.
func (p *painter) nucleusInk(l lens) (ink, float32) {
	switch p.sc.eye.kind {
	case white:
		return rgb(0xeadbb2), 0.96
	case brown:
		return brownInk, 0.97
	case polarRings:
		return rgb(0xd2c7aa), 0.42
	case lamellar:
		return rgb(0xe2ded4), 0.30
	case soft:
		return rgb(0xcfc6ae), 0.55
	case hazy:
		return rgb(0xc4b489), 0.86
	}
	return amberInk, 0.88
}

func (p *painter) drawNucleus(s scene, reach float32) {
	l, m, n := s.lens, p.maps, s.lens.nucleus
	base, opaque := p.nucleusInk(l)
	if l.nucleus.shrink > 0 {
		p.drawBowl(l, base, opaque, reach)
		return
	}
	rot := deg16(l.rot + float32(p.mainAngle()) + 180)
	pieces := max(n.pieces, 1)
	each := float32(angles) / float32(pieces)
	gaps, gone := p.gaps(n), p.goneList(n)
	split := n.pieces > 0 && n.split > 0
	bright := float32(1.14)
	if p.sc.eye.kind == brown {
		bright = 0.95
	}
	p.polar(p.core, bag(l), min(reach+0.9, nucleusRadius), func(i int) (ink, float32) {
		r := m.rad[i]
		if r > nucleusRadius+0.05 {
			return ink{}, 0
		}
		a := (m.ang[i] - rot) % angles
		q := r / nucleusRadius
		k := base.lit(bright - 0.26*q + 0.20*(m.lens[int(a)*64+int(clamp32(r/bagRadius)*63)]-0.5))
		al := opaque * step32(nucleusRadius+0.03, nucleusRadius-0.10, r) * (1 - 0.22*q*q*q)
		if split {
			al *= p.sector(float32(a), r, each, pieces, gaps, gone)
			if n.deep < 1 {
				al = max(al, 0.85*opaque*step32(nucleusRadius, nucleusRadius-0.4, r)*(1-n.deep))
			}
		}
		return k, al
	})
	p.drawGrooves(l, base)
}

// sector is how much of a place in the split nucleus is still covered: nothing
// in a gap or where a piece has gone.
func (p *painter) sector(a, r, each float32, pieces int, gaps []float32, gone int) float32 {
	f := a / each
	k := min(int(f), pieces-1)
	if orderOf(k, pieces) < gone {
		return 0
	}
	lo := (f - float32(k)) * each / angles * 2 * math.Pi * r
	hi := (float32(k+1) - f) * each / angles * 2 * math.Pi * r
	w := 1.2 / p.v.k
	cov := float32(1)
	if g := gaps[k]; g > 0 {
		cov = min(cov, clamp32((lo-g)/w+0.5))
	}
	if g := gaps[(k+1)%pieces]; g > 0 {
		cov = min(cov, clamp32((hi-g)/w+0.5))
	}
	return cov
}

// gaps is half the width of the split at the start of each piece.
func (p *painter) gaps(n nucleus) []float32 {
	out := make([]float32, max(n.pieces, 1))
	for k := range int(n.split) + 1 {
		if k < n.pieces {
			i := splitOrder(k, n.pieces)
			out[i] = max(out[i], 0.09*clamp32(n.split-float32(k)))
		}
	}
	return out
}

// orderOf is when a piece leaves: those far from the wound first.
func orderOf(k, pieces int) int {
	if k%2 == 0 {
		return k / 2
	}
	return (pieces+1)/2 + k/2
}

func (p *painter) goneList(n nucleus) int {
	g := int(n.gone)
	if n.gone > float32(g) && g < n.pieces {
		g++ // the one on its way is drawn by itself
	}
	return g
}

// drawPiece draws the piece that is at the tip, growing smaller.
func (p *painter) drawPiece(s scene, base ink, opaque float32) {
	n, l := s.lens.nucleus, s.lens
	k := int(n.gone)
	f := n.gone - float32(k)
	if f <= 0 || k >= n.pieces {
		return
	}
	which := 0
	for i := range n.pieces {
		if orderOf(i, n.pieces) == k {
			which = i
		}
	}
	mid := (float64(which)+0.5)*360/float64(n.pieces) + float64(l.rot) + p.mainAngle() + 180
	tip := polar(0.55, p.mainAngle())
	home := polar(nucleusRadius*0.62, mid).add(bag(l))
	go1 := step32(0.02, 0.4, f)
	left := 1 - 0.92*step32(0.3, 1, f)
	wob := float64(n.phase)
	at := home.lerp(tip.add(polar(0.85*left, mid+25*math.Sin(wob*1.3))), go1)
	turn := mid + float64(go1)*(70+14*math.Sin(wob*2.1))
	p.drawWedge(at, turn, nucleusRadius*left, 180/float64(n.pieces), base, opaque)
}

// drawWedge draws a slice of the nucleus: its middle at, pointing away from
// turn, of the given radius and half angle.
func (p *painter) drawWedge(at pt, turn float64, radius float32, half float64, base ink, opaque float32) {
	v := p.v
	apex := v.at(at.sub(polar(radius*0.62, turn)))
	d := polar(1, turn)
	n1, n2 := polar(1, turn+half+90), polar(1, turn-half-90)
	rad := radius * v.k
	centre := v.at(at)
	p.mid.paint(box(centre, rad*0.75+3), func(x, y float32) (ink, float32) {
		q := pt{x - apex.x, y - apex.y}
		r := q.len()
		e := max(r-rad, max(q.x*n1.x+q.y*n1.y, q.x*n2.x+q.y*n2.y))
		if e > 0.6 {
			return blackInk, 0.14 * step32(5, 0.6, e)
		}
		along := (q.x*d.x + q.y*d.y) / rad
		k := base.lit(0.92+0.25*along).to(whiteInk, 0.28*step32(-3.5, 0, e))
		return k, min(opaque+0.08, 1) * clamp32(0.5-e+0.5)
	})
}

// drawBowl draws a soft nucleus that is taken from the middle outwards.
func (p *painter) drawBowl(l lens, base ink, opaque, reach float32) {
	m := p.maps
	inner := l.nucleus.shrink * (nucleusRadius - 0.2)
	if p.sc.eye.kind == polarRings {
		inner = l.nucleus.shrink * goldenRadius
	}
	p.polar(p.core, bag(l), min(reach+0.9, nucleusRadius), func(i int) (ink, float32) {
		r, a := m.rad[i], m.ang[i]
		t := m.lens[int(a)*64+int(clamp32(r/bagRadius)*63)]
		edge := inner + 0.5*(t-0.5) + 0.25*(m.rays[a]-0.5)
		if r < edge-0.1 {
			return ink{}, 0
		}
		k := base.lit(1.1-0.2*r/nucleusRadius+0.2*(t-0.5)).to(whiteInk, 0.35*step32(0.3, 0.02, r-edge))
		return k, opaque * step32(edge-0.06, edge+0.08, r) * step32(nucleusRadius, nucleusRadius-0.3, r)
	})
}

func (p *painter) drawGrooves(l lens, base ink) {
	n, v := l.nucleus, p.v
	o := bag(l)
	deep := base.to(reflexMid, 0.55).lit(0.75)
	for i, part := range n.grooves {
		if part <= 0 || n.split > 0.5 {
			continue
		}
		d := polar(2.6*min(1, part*2.2), p.mainAngle()+float64(l.rot)-90*float64(i))
		w := (0.20 + 0.16*part) * v.k
		a, b := v.at(o.sub(d)), v.at(o.add(d))
		p.core.stroke(a, b, w, w, func(_, across float32) (ink, float32) {
			return base.lit(0.62).to(deep, step32(0.8, 0.1, abs32(across))*part), 0.9 * step32(1, 0.75, abs32(across))
		})
	}
	if n.crater > 0 && n.gone < 1 {
		p.core.disc(v.at(o), (0.4+1.7*n.crater)*v.k, func(d float32) (ink, float32) {
			return base.lit(0.55).to(deep, n.crater*(1-d)).lit(0.8 + 0.5*d*d), 0.9 * step32(1, 0.85, d)
		})
	}
}
