package sample

import (
	"image"
	"math"
)

// canvas is one picture in planes of 8-bit YUV 4:2:0, in one piece of memory in
// the order that encoders take it. Width and height are even.
type canvas struct {
	w, h    int
	pix     []byte
	y, u, v []byte
}

func newCanvas(w, h int) *canvas {
	n := w * h
	c := &canvas{w: w, h: h, pix: make([]byte, n*3/2)}
	c.y, c.u, c.v = c.pix[:n], c.pix[n:n+n/4], c.pix[n+n/4:]
	return c
}

// shade says for a place, in pixels, which ink covers it and how much of it.
type shade func(x, y float32) (ink, float32)

// fit cuts r to the canvas and widens it to whole chroma samples.
func (c *canvas) fit(r image.Rectangle) image.Rectangle {
	r.Min.X, r.Min.Y = r.Min.X&^1, r.Min.Y&^1
	r.Max.X, r.Max.Y = (r.Max.X+1)&^1, (r.Max.Y+1)&^1
	return r.Intersect(image.Rect(0, 0, c.w, c.h))
}

// copyFrom takes r from a canvas of the same size.
func (c *canvas) copyFrom(src *canvas, r image.Rectangle) {
	r = c.fit(r)
	if r.Empty() {
		return
	}
	for y := r.Min.Y; y < r.Max.Y; y++ {
		i := y * c.w
		copy(c.y[i+r.Min.X:i+r.Max.X], src.y[i+r.Min.X:i+r.Max.X])
	}
	for y := r.Min.Y / 2; y < r.Max.Y/2; y++ {
		i := y * c.w / 2
		copy(c.u[i+r.Min.X/2:i+r.Max.X/2], src.u[i+r.Min.X/2:i+r.Max.X/2])
		copy(c.v[i+r.Min.X/2:i+r.Max.X/2], src.v[i+r.Min.X/2:i+r.Max.X/2])
	}
}

// paint lays f over r.
func (c *canvas) paint(r image.Rectangle, f shade) {
	r = c.fit(r)
	for y := r.Min.Y; y < r.Max.Y; y++ {
		c.lumaRow(y, r.Min.X, r.Max.X, f)
	}
	for y := r.Min.Y / 2; y < r.Max.Y/2; y++ {
		c.chromaRow(y, r.Min.X/2, r.Max.X/2, f)
	}
}

func (c *canvas) lumaRow(y, x0, x1 int, f shade) {
	x0, x1 = max(x0, 0), min(x1, c.w)
	row := c.y[y*c.w : (y+1)*c.w]
	fy := float32(y) + 0.5
	for x := x0; x < x1; x++ {
		if k, a := f(float32(x)+0.5, fy); a > 0 {
			d := float32(row[x])
			row[x] = byte(d + (k.y-d)*a + 0.5)
		}
	}
}

func (c *canvas) chromaRow(y, x0, x1 int, f shade) {
	x0, x1 = max(x0, 0), min(x1, c.w/2)
	i := y * c.w / 2
	fy := float32(2*y) + 1
	for x := x0; x < x1; x++ {
		if k, a := f(float32(2*x)+1, fy); a > 0 {
			u, v := float32(c.u[i+x]), float32(c.v[i+x])
			c.u[i+x] = byte(u + (k.u-u)*a + 0.5)
			c.v[i+x] = byte(v + (k.v-v)*a + 0.5)
		}
	}
}

// rows lays f over the spans that reach gives for a row's height in pixels:
// from, to, and false for none.
func (c *canvas) rows(y0, y1 int, reach func(y float32) (x0, x1 float32, ok bool), f shade) {
	y0, y1 = max(y0&^1, 0), min((y1+1)&^1, c.h)
	for y := y0; y < y1; y++ {
		if a, b, ok := reach(float32(y) + 0.5); ok {
			c.lumaRow(y, int(a), int(b)+1, f)
		}
	}
	for y := y0 / 2; y < y1/2; y++ {
		if a, b, ok := reach(float32(2*y) + 1); ok {
			c.chromaRow(y, int(a)/2, int(b)/2+1, f)
		}
	}
}

// pt is a place, in millimetres or in pixels as the context says.
type pt struct{ x, y float32 }

func (a pt) add(b pt) pt              { return pt{a.x + b.x, a.y + b.y} }
func (a pt) sub(b pt) pt              { return pt{a.x - b.x, a.y - b.y} }
func (a pt) mul(k float32) pt         { return pt{a.x * k, a.y * k} }
func (a pt) len() float32             { return sqrt32(a.x*a.x + a.y*a.y) }
func (a pt) lerp(b pt, t float32) pt  { return pt{a.x + (b.x-a.x)*t, a.y + (b.y-a.y)*t} }
func (a pt) turn() pt                 { return pt{-a.y, a.x} }
func polar(r float32, deg float64) pt { return pt{r * cosd(deg), r * sind(deg)} }

func (a pt) unit() pt {
	if l := a.len(); l > 1e-6 {
		return a.mul(1 / l)
	}
	return pt{1, 0}
}

func cosd(deg float64) float32 { return float32(math.Cos(deg * math.Pi / 180)) }
func sind(deg float64) float32 { return float32(math.Sin(deg * math.Pi / 180)) }

// stroke draws a line with round ends from a, ra thick to either side, to b, rb
// thick. The ink is asked for the place along it, 0 to 1, and across, -1 to 1.
func (c *canvas) stroke(a, b pt, ra, rb float32, f func(along, across float32) (ink, float32)) image.Rectangle {
	d := b.sub(a)
	inv := float32(0)
	if l2 := d.x*d.x + d.y*d.y; l2 > 1e-6 {
		inv = 1 / l2
	}
	n := d.unit().turn()
	wide := max(ra, rb) + 1.5
	sh := func(x, y float32) (ink, float32) {
		px, py := x-a.x, y-a.y
		t := clamp32((px*d.x + py*d.y) * inv)
		ex, ey := px-d.x*t, py-d.y*t
		r := ra + (rb-ra)*t
		d2 := ex*ex + ey*ey
		if d2 >= (r+0.5)*(r+0.5) {
			return ink{}, 0
		}
		cov := r + 0.5
		if d2 > (r-0.5)*(r-0.5) || r < 0.5 {
			cov = clamp32(r + 0.5 - sqrt32(d2))
		} else {
			cov = 1
		}
		k, al := f(t, (px*n.x+py*n.y)/max(r, 0.5))
		return k, al * cov
	}
	y0, y1 := min(a.y, b.y)-wide, max(a.y, b.y)+wide
	c.rows(int(floor(y0)), int(floor(y1))+1, func(y float32) (float32, float32, bool) {
		t0, t1 := float32(0), float32(1)
		if abs32(d.y) > 1e-3 {
			t0, t1 = (y-wide-a.y)/d.y, (y+wide-a.y)/d.y
			if t0 > t1 {
				t0, t1 = t1, t0
			}
			t0, t1 = max(t0, 0), min(t1, 1)
			if t0 > t1 {
				return 0, 0, false
			}
		}
		xa, xb := a.x+d.x*t0, a.x+d.x*t1
		return min(xa, xb) - wide, max(xa, xb) + wide, true
	}, sh)
	return box(a, wide+float32(2)).Union(box(b, wide+2))
}

func abs32(v float32) float32 { return float32(math.Abs(float64(v))) }

// line draws a plain stroke.
func (c *canvas) line(a, b pt, r float32, k ink, alpha float32) image.Rectangle {
	return c.stroke(a, b, r, r, func(_, _ float32) (ink, float32) { return k, alpha })
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
	return c.disc(p, r, func(d float32) (ink, float32) { q := 1 - d*d; return k, alpha * q * q })
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
