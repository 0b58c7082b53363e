package sample

import "math"

// ink is a colour in the limited range of 8-bit video: Y 16–235, U and V
// 16–240 around 128 (ITU-R BT.601, as players assume for films of this size).
type ink struct{ y, u, v float32 }

// rgb turns a 0xRRGGBB colour into ink by the BT.601 matrix.
func rgb(hex uint32) ink {
	r, g, b := float32(hex>>16&255), float32(hex>>8&255), float32(hex&255)
	return ink{
		y: 16 + 0.25679*r + 0.50413*g + 0.09791*b,
		u: 128 - 0.14822*r - 0.29099*g + 0.43922*b,
		v: 128 + 0.43922*r - 0.36779*g - 0.07143*b,
	}
}

// to moves k towards o by a, 0 to 1.
func (k ink) to(o ink, a float32) ink {
	return ink{k.y + (o.y-k.y)*a, k.u + (o.u-k.u)*a, k.v + (o.v-k.v)*a}
}

// lit is k under more or less light: black at 0, itself at 1.
func (k ink) lit(a float32) ink {
	c, y := a, 16+(k.y-16)*a
	if c > 1 {
		c = 1
	}
	if y > 235 {
		y = 235
	}
	return ink{y, 128 + (k.u-128)*c, 128 + (k.v-128)*c}
}

// The palette. One of the irises is chosen by the case's title.
var (
	drapeInk   = rgb(0x2f5f6d)
	drapeDark  = rgb(0x16323b)
	skinInk    = rgb(0xc99279)
	skinDark   = rgb(0x7d4f42)
	lidInk     = rgb(0xb9776d)
	scleraInk  = rgb(0xf0e7de)
	scleraPink = rgb(0xdcb2a4)
	bareSclera = rgb(0xfbf8f2)
	vesselInk  = rgb(0xb5443f)
	limbusInk  = rgb(0x77838a)
	blackInk   = rgb(0x000000)
	whiteInk   = rgb(0xffffff)
	reflexMid  = rgb(0xf08a4a)
	reflexRim  = rgb(0xb23a1f)
	milkInk    = rgb(0xf3f1ea)
	dyeInk     = rgb(0x2b4fb8)
	goldInk    = rgb(0xf6d774)
	steelInk   = rgb(0x9aa3ab)
	steelDark  = rgb(0x3d454d)
	sleeveInk  = rgb(0x6fb3b8)
	amberInk   = rgb(0xc98b35)
	brownInk   = rgb(0x6a3512)
	pearlInk   = rgb(0xe9e4d8)
	corticalIn = rgb(0xd9d0bd)
	hookInk    = rgb(0x3f62b5)
	ringInk    = rgb(0x5a84d6)
	threadInk  = rgb(0x1d2238)
)

var irisInks = [...][2]ink{
	{rgb(0x6d4526), rgb(0x3a2110)},
	{rgb(0x7a6a3c), rgb(0x3d3a22)},
	{rgb(0x6d8797), rgb(0x34485a)},
	{rgb(0x8a7350), rgb(0x46351f)},
	{rgb(0x5b7a78), rgb(0x2c4346)},
}

// hash01 mixes integers to a number from 0 to 1.
func hash01(a, b int32, seed uint32) float32 {
	h := uint32(a)*0x9e3779b1 ^ uint32(b)*0x85ebca77 ^ seed*0xc2b2ae3d
	h ^= h >> 15
	h *= 0x2c1b3c6d
	h ^= h >> 12
	h *= 0x297a2d39
	h ^= h >> 15
	return float32(h>>8) / (1 << 24)
}

// noise is smooth value noise from 0 to 1 with a cell of one unit; where wrap is
// not zero, it repeats after so many cells of x.
func noise(x, y float32, wrap int32, seed uint32) float32 {
	fx, fy := floor(x), floor(y)
	ix, iy := int32(fx), int32(fy)
	tx, ty := ease32(x-fx), ease32(y-fy)
	jx := ix + 1
	if wrap > 0 {
		ix, jx = ((ix%wrap)+wrap)%wrap, ((jx%wrap)+wrap)%wrap
	}
	a, b := hash01(ix, iy, seed), hash01(jx, iy, seed)
	c, d := hash01(ix, iy+1, seed), hash01(jx, iy+1, seed)
	top, low := a+(b-a)*tx, c+(d-c)*tx
	return top + (low-top)*ty
}

func floor(x float32) float32 { return float32(math.Floor(float64(x))) }

func abs32(v float32) float32 {
	if v < 0 {
		return -v
	}
	return v
}

func ease32(t float32) float32 { return t * t * (3 - 2*t) }

func clamp32(v float32) float32 {
	if v <= 0 {
		return 0
	}
	if v >= 1 {
		return 1
	}
	return v
}

func sqrt32(v float32) float32 { return float32(math.Sqrt(float64(v))) }

// step32 rises from 0 at a to 1 at b.
func step32(a, b, v float32) float32 { return ease32(clamp32((v - a) / (b - a))) }

// seedOf makes a seed of a text (FNV-1a).
func seedOf(s string) uint32 {
	h := uint32(2166136261)
	for i := range len(s) {
		h = (h ^ uint32(s[i])) * 16777619
	}
	return h
}
