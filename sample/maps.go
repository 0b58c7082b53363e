package sample

import "math"

// angles is how many steps the polar maps cut the circle into.
const angles = 1024

// maps are the distance and direction of each pixel around the middle of the
// eye, and the textures that go with them, made once for a film.
type maps struct {
	r    int // pixels from the middle to the edge of the square
	w    int // 2r
	rad  []float32
	ang  []uint16
	iris []float32 // angles × 64, from the margin outwards
	lens []float32 // the same for what is in the lens
	rays []float32 // one value an angle
}

func newMaps(e eye, k float32) *maps {
	r := (int(e.limbus*k) + 12) &^ 1
	m := &maps{r: r, w: 2 * r, rad: make([]float32, 4*r*r), ang: make([]uint16, 4*r*r),
		iris: make([]float32, angles*64), lens: make([]float32, angles*64), rays: make([]float32, angles)}
	for y := range m.w {
		for x := range m.w {
			dx, dy := float32(x-r)+0.5, float32(y-r)+0.5
			i := y*m.w + x
			m.rad[i] = sqrt32(dx*dx+dy*dy) / k
			a := math.Atan2(float64(dy), float64(dx)) / (2 * math.Pi)
			m.ang[i] = uint16(int(math.Floor((a+1)*angles)) % angles)
		}
	}
	m.weave(e.seed)
	return m
}

// weave makes the textures: radial fibres for the iris, cloud and clefts for
// the lens.
func (m *maps) weave(seed uint32) {
	for a := range angles {
		t := float32(a) / angles
		m.rays[a] = noise(t*23, 0.5, 23, seed+7)
		for q := range 64 {
			p := float32(q) / 63
			warp := (noise(t*9, p*3, 9, seed+1) - 0.5) * 1.2
			fibre := noise(t*72+warp, p*2.2, 72, seed+2)
			fine := noise(t*190+warp*2, p*4, 190, seed+3)
			patch := noise(t*14, p*4, 14, seed+4)
			collar := float32(math.Exp(-float64((p-0.26)*(p-0.26)) / 0.006))
			m.iris[a*64+q] = 0.5 + (fibre-0.5)*0.75 + (fine-0.5)*0.35 + (patch-0.5)*0.3 + collar*0.22
			cloud := noise(t*12, p*5, 12, seed+11)*0.6 + noise(t*30, p*12, 30, seed+12)*0.4
			m.lens[a*64+q] = cloud
		}
	}
}

// deg is the map's angle for degrees.
func deg16(deg float32) uint16 {
	a := int(floor(deg/360*angles + 0.5))
	return uint16(((a % angles) + angles) % angles)
}

// polar lays f over the pixels no further than reach millimetres from the
// middle plus off: f is given the index in the maps.
func (p *painter) polar(c *canvas, off pt, reach float32, f func(i int) (ink, float32)) {
	m := p.maps
	ox := int(floor(p.v.x+off.x*p.v.k+0.5))&^1 - m.r
	oy := int(floor(p.v.y+off.y*p.v.k+0.5))&^1 - m.r
	lim := min(int(reach*p.v.k)+2, m.r)
	y0, y1 := max(m.r-lim, -oy)&^1, min(m.r+lim, c.h-oy)
	for y := y0; y < y1; y++ {
		half := p.chord(y, lim)
		x0, x1 := max(m.r-half, -ox)&^1, min(m.r+half, c.w-ox)
		row := c.y[(y+oy)*c.w:]
		i := y*m.w + x0
		for x := x0; x < x1; x, i = x+1, i+1 {
			if k, a := f(i); a > 0 {
				d := float32(row[x+ox])
				row[x+ox] = byte(d + (k.y-d)*a + 0.5)
			}
		}
		if y&1 == 0 {
			p.polarChroma(c, y, x0, x1, ox, oy, f)
		}
	}
}

func (p *painter) polarChroma(c *canvas, y, x0, x1, ox, oy int, f func(i int) (ink, float32)) {
	row := (y + oy) / 2 * c.w / 2
	for x := x0; x < x1; x += 2 {
		if k, a := f(y*p.maps.w + x); a > 0 {
			j := row + (x+ox)/2
			u, v := float32(c.u[j]), float32(c.v[j])
			c.u[j] = byte(u + (k.u-u)*a + 0.5)
			c.v[j] = byte(v + (k.v-v)*a + 0.5)
		}
	}
}

// chord is half the width of a circle of lim pixels at the map's row y.
func (p *painter) chord(y, lim int) int {
	dy := y - p.maps.r
	q := (lim+1)*(lim+1) - dy*dy
	if q <= 0 {
		return 0
	}
	return min(int(sqrt32(float32(q)))+2, p.maps.r)
}
