package sample

import (
	"image"
	"math"
)

// gloss is the look of a shaft across its width, from one side to the other.
type gloss struct {
	ink   [33]ink
	alpha float32
}

func glossOf(alpha float32, f func(across float32) ink) *gloss {
	g := &gloss{alpha: alpha}
	for i := range g.ink {
		g.ink[i] = f(float32(i)/16 - 1)
	}
	return g
}

// rod is a tapered line with round ends, made ready to be filled.
type rod struct {
	a, d, n     pt
	inv, ra, dr float32
}

// at is the rod's cover of a place, and how far across it lies, 0 to 32.
func (r *rod) at(x, y float32) (cover, across float32) {
	px, py := x-r.a.x, y-r.a.y
	t := (px*r.d.x + py*r.d.y) * r.inv
	off := px*r.n.x + py*r.n.y
	half, dist := r.ra, abs32(off)
	switch {
	case t > 0 && t < 1:
		half += r.dr * t
	case t >= 1: // the round end
		half += r.dr
		px, py = px-r.d.x, py-r.d.y
		dist = sqrt32(px*px + py*py)
	default:
		dist = sqrt32(px*px + py*py)
	}
	cover = half + 0.5 - dist
	if cover <= 0 {
		return 0, 0
	}
	if cover > 1 {
		cover = 1
	}
	if half < 0.5 {
		return cover, 16
	}
	across = 16 + off/half*16
	if across < 0 {
		across = 0
	} else if across > 32 {
		across = 32
	}
	return cover, across
}

// reach is the part of a row that the rod may cover.
func (r *rod) reach(y, wide float32) (x0, x1 float32, ok bool) {
	t0, t1 := float32(0), float32(1)
	if abs32(r.d.y) > 1e-3 {
		t0, t1 = (y-wide-r.a.y)/r.d.y, (y+wide-r.a.y)/r.d.y
		if t0 > t1 {
			t0, t1 = t1, t0
		}
		t0, t1 = max(t0, 0), min(t1, 1)
		if t0 > t1 {
			return 0, 0, false
		}
	}
	xa, xb := r.a.x+r.d.x*t0, r.a.x+r.d.x*t1
	return min(xa, xb) - wide, max(xa, xb) + wide, true
}

func rodOf(a, b pt, ra, rb float32) rod {
	r := rod{a: a, d: b.sub(a), ra: ra, dr: rb - ra}
	if l2 := r.d.x*r.d.x + r.d.y*r.d.y; l2 > 1e-6 {
		r.inv = 1 / l2
	}
	r.n = r.d.unit().turn()
	return r
}

// shaft draws a line with round ends from a, ra thick to either side, to b, rb
// thick. It is the quick form of stroke for what moves on every frame.
func (c *canvas) shaft(a, b pt, ra, rb float32, g *gloss) image.Rectangle {
	r := rodOf(a, b, ra, rb)
	wide := max(ra, rb) + 1.5
	y0 := max(int(floor(min(a.y, b.y)-wide))&^1, 0)
	y1 := min((int(floor(max(a.y, b.y)+wide))+2)&^1, c.h)
	for y := y0; y < y1; y++ {
		fy := float32(y) + 0.5
		xa, xb, ok := r.reach(fy, wide)
		if !ok {
			continue
		}
		row := c.y[y*c.w : (y+1)*c.w]
		for x, end := max(int(xa), 0), min(int(xb)+1, c.w); x < end; x++ {
			if cover, i := r.at(float32(x)+0.5, fy); cover > 0 {
				d := float32(row[x])
				row[x] = byte(d + (g.ink[int(i)].y-d)*cover*g.alpha + 0.5)
			}
		}
	}
	for y := y0 / 2; y < y1/2; y++ {
		c.shaftChroma(&r, y, wide, g)
	}
	return box(a, wide+2).Union(box(b, wide+2))
}

func (c *canvas) shaftChroma(r *rod, y int, wide float32, g *gloss) {
	fy := float32(2*y) + 1
	xa, xb, ok := r.reach(fy, wide)
	if !ok {
		return
	}
	row := y * c.w / 2
	for x, end := max(int(xa)/2, 0), min(int(xb)/2+1, c.w/2); x < end; x++ {
		if cover, i := r.at(float32(2*x)+1, fy); cover > 0 {
			k, al := &g.ink[int(i)], cover*g.alpha
			u, v := float32(c.u[row+x]), float32(c.v[row+x])
			c.u[row+x] = byte(u + (k.u-u)*al + 0.5)
			c.v[row+x] = byte(v + (k.v-v)*al + 0.5)
		}
	}
}

// stroke is shaft with a look that is asked for the place along it, 0 to 1, and
// across, -1 to 1.
func (c *canvas) stroke(a, b pt, ra, rb float32, f func(along, across float32) (ink, float32)) {
	r := rodOf(a, b, ra, rb)
	wide := max(ra, rb) + 1.5
	c.rows(int(floor(min(a.y, b.y)-wide)), int(floor(max(a.y, b.y)+wide))+1,
		func(y float32) (float32, float32, bool) { return r.reach(y, wide) },
		func(x, y float32) (ink, float32) {
			cover, across := r.at(x, y)
			if cover <= 0 {
				return ink{}, 0
			}
			k, al := f(clamp32(((x-a.x)*r.d.x+(y-a.y)*r.d.y)*r.inv), across/16-1)
			return k, al * cover
		})
}

// line draws a plain stroke.
func (c *canvas) line(a, b pt, r float32, k ink, alpha float32) {
	c.shaft(a, b, r, r, glossOf(alpha, func(float32) ink { return k }))
}

// box is the square of pixels around p.
func box(p pt, r float32) image.Rectangle {
	return image.Rect(int(floor(p.x-r)), int(floor(p.y-r)), int(floor(p.x+r))+1, int(floor(p.y+r))+1)
}

// disc draws a filled disc whose ink is asked for the distance from its centre
// as a part of its radius.
func (c *canvas) disc(p pt, r float32, f func(d float32) (ink, float32)) image.Rectangle {
	c.paint(box(p, r+1), func(x, y float32) (ink, float32) {
		d2 := (x-p.x)*(x-p.x) + (y-p.y)*(y-p.y)
		if d2 >= (r+0.5)*(r+0.5) {
			return ink{}, 0
		}
		d := sqrt32(d2)
		k, a := f(d / r)
		return k, a * clamp32(r+0.5-d)
	})
	return box(p, r+2)
}

// glow is a soft spot without an edge.
func (c *canvas) glow(p pt, r float32, k ink, alpha float32) image.Rectangle {
	inv := 1 / (r * r)
	reach := func(y float32) (float32, float32, bool) {
		q := r*r - (y-p.y)*(y-p.y)
		if q <= 0 {
			return 0, 0, false
		}
		half := sqrt32(q)
		return p.x - half, p.x + half, true
	}
	c.rows(int(floor(p.y-r)), int(floor(p.y+r))+1, reach, func(x, y float32) (ink, float32) {
		q := 1 - ((x-p.x)*(x-p.x)+(y-p.y)*(y-p.y))*inv
		if q <= 0 {
			return k, 0
		}
		return k, alpha * q * q
	})
	return box(p, r+2)
}

// arc draws a part of a ring of radius r, half thick to either side, from angle
// from over sweep degrees.
func (c *canvas) arc(p pt, r, half float32, from, sweep float64, k ink, alpha float32) {
	outer, inner := r+half+1, max(r-half-1, 0)
	a0 := from * math.Pi / 180
	sw := sweep * math.Pi / 180
	whole := sweep >= 360
	sh := func(x, y float32) (ink, float32) {
		dx, dy := x-p.x, y-p.y
		d2 := dx*dx + dy*dy
		if d2 > outer*outer || d2 < inner*inner {
			return ink{}, 0
		}
		cov := clamp32(half + 0.5 - abs32(sqrt32(d2)-r))
		if cov > 0 && !whole {
			th := math.Mod(math.Atan2(float64(dy), float64(dx))-a0+4*math.Pi, 2*math.Pi)
			if th > sw {
				return ink{}, 0
			}
		}
		return k, alpha * cov
	}
	for side := range 2 {
		c.rows(int(floor(p.y-outer)), int(floor(p.y+outer))+1, func(y float32) (float32, float32, bool) {
			dy := y - p.y
			if abs32(dy) > outer {
				return 0, 0, false
			}
			o, i := sqrt32(outer*outer-dy*dy), float32(0)
			if abs32(dy) < inner {
				i = sqrt32(inner*inner - dy*dy)
			}
			if side == 0 {
				return p.x - o, p.x - i - 1, true
			}
			return p.x + i, p.x + o, true
		}, sh)
	}
}
