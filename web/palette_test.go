package web

import (
	"fmt"
	"math"
	"strconv"
	"testing"
)

type rgb [3]float64 // linear light, 0 to 1

// sights are how colours are seen: Machado, Oliveira and Fernandes, A
// physiologically-based model for simulation of color vision deficiency (2009),
// at full severity, on linear light.
var sights = map[string][3]rgb{
	"usual sight":  {{1, 0, 0}, {0, 1, 0}, {0, 0, 1}},
	"protanopia":   {{0.152286, 1.052583, -0.204868}, {0.114503, 0.786281, 0.099216}, {-0.003882, -0.048116, 1.051998}},
	"deuteranopia": {{0.367322, 0.860646, -0.227968}, {0.280085, 0.672501, 0.047413}, {-0.011820, 0.042940, 0.968881}},
	"tritanopia":   {{1.255528, -0.076749, -0.178779}, {-0.078411, 0.930809, 0.147602}, {0.004733, 0.691367, 0.303900}},
}

func linear(t *testing.T, hex string) (c rgb) {
	t.Helper()
	n, err := strconv.ParseUint(hex, 16, 32)
	if err != nil {
		t.Fatal(err)
	}
	for i := range c {
		s := float64(n>>(16-8*i)&0xff) / 255
		if c[i] = s / 12.92; s > 0.04045 {
			c[i] = math.Pow((s+0.055)/1.055, 2.4)
		}
	}
	return c
}

func (c rgb) through(m [3]rgb) (out rgb) {
	for i, row := range m {
		out[i] = max(0, min(1, row[0]*c[0]+row[1]*c[1]+row[2]*c[2]))
	}
	return out
}

// lab is CIE 1976 L*a*b* under D65, by the matrix of sRGB (IEC 61966-2-1).
func (c rgb) lab() [3]float64 {
	f := func(t float64) float64 {
		if t > 216.0/24389 {
			return math.Cbrt(t)
		}
		return (24389.0/27*t + 16) / 116
	}
	x := f((0.4124564*c[0] + 0.3575761*c[1] + 0.1804375*c[2]) / 0.95047)
	y := f(0.2126729*c[0] + 0.7151522*c[1] + 0.0721750*c[2])
	z := f((0.0193339*c[0] + 0.1191920*c[1] + 0.9503041*c[2]) / 1.08883)
	return [3]float64{116*y - 16, 500 * (x - y), 200 * (y - z)}
}

func apart(a, b [3]float64) float64 {
	return math.Sqrt((a[0]-b[0])*(a[0]-b[0]) + (a[1]-b[1])*(a[1]-b[1]) + (a[2]-b[2])*(a[2]-b[2]))
}

func TestLab(t *testing.T) { // published: sRGB red is L* 53.24, a* 80.09, b* 67.20
	if got := fmt.Sprintf("%.1f", linear(t, "ff0000").lab()); got != "[53.2 80.1 67.2]" {
		t.Errorf("red is %s", got)
	}
}

// The families of stages stay apart in every sight; a difference of 2.3 is
// just noticeable. Their hatchings differ besides.
func TestFamiliesStayApart(t *testing.T) {
	const least = 20
	for theme, colour := range themes(t) {
		for sight, m := range sights {
			t.Run(theme+", "+sight, func(t *testing.T) {
				for i, a := range Families() {
					for _, b := range Families()[i+1:] {
						x, y := linear(t, colour["fam-"+a.ID]).through(m).lab(), linear(t, colour["fam-"+b.ID]).through(m).lab()
						if d := apart(x, y); d < least {
							t.Errorf("%s and %s are %.1f apart, want %d", a.Name, b.Name, d, least)
						}
					}
				}
			})
		}
	}
}
