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
