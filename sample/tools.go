package sample

import "image"

// toolKind says what an instrument looks like.
type toolKind int

const (
	sideBlade toolKind = iota
	keratome
	crescent
	cannula
	needle
	cystotome
	forceps
	scissorTool
	phaco
	chopperTool
	spatula
	hookTool
	coaxialIA
	aspirator
	irrigator
	simcoe
	cutter
	injector
	cauteryTip
	lightPipe
	vectis
	holder
)

// tool is an instrument in use: its tip and the wound it goes through, in
// millimetres from the middle of the eye.
type tool struct {
	kind   toolKind
	tip    pt
	wound  pt
	open   float32 // of its jaws
	buzz   float32 // ultrasound
	inside bool
	free   bool // works outside the eye
	behind bool // seen through the pupil
}

// metal is the look of a round steel shaft across its width.
func metal(base ink) *gloss {
	return glossOf(1, func(across float32) ink {
		h := 1 - (across+0.35)*(across+0.35)*1.5
		return base.to(steelDark, clamp32(0.55-0.5*h)).to(whiteInk, clamp32(h-0.72)*1.6)
	})
}

func plain(k ink, alpha float32) *gloss { return glossOf(alpha, func(float32) ink { return k }) }

// hand draws tools on a canvas through a view and remembers what it touched.
type hand struct {
	c     *canvas
	v     view
	dirty image.Rectangle
}

func (h *hand) stroke(a, b pt, ra, rb float32, g *gloss) {
	h.dirty = h.dirty.Union(h.c.shaft(h.v.at(a), h.v.at(b), ra*h.v.k, rb*h.v.k, g))
}

func (h *hand) glow(p pt, r float32, k ink, alpha float32) {
	h.dirty = h.dirty.Union(h.c.glow(h.v.at(p), r*h.v.k, k, alpha))
}

func (h *hand) disc(p pt, r float32, k ink, alpha float32) {
	h.dirty = h.dirty.Union(h.c.disc(h.v.at(p), r*h.v.k, func(float32) (ink, float32) { return k, alpha }))
}

// draw draws one tool with its shadow.
func (h *hand) draw(t tool) {
	// Inside, the shaft turns about the wound; nearer to it, and outside, it
	// comes straight from the hand.
	depth := t.wound.len() - t.tip.len()
	lead := 3 * clamp32(1-depth/2.5)
	if t.free {
		lead = 4
	}
	hold := t.wound.add(t.wound.unit().mul(lead + max(0, -depth)))
	axis := hold.sub(t.tip)
	d := axis.unit()
	back := func(mm float32) pt { return t.tip.add(d.mul(mm)) }
	if t.inside {
		s := pt{0.16, 0.2}
		h.stroke(t.tip.add(s), back(axis.len()).add(s), 0.16, 0.3, plain(blackInk, 0.16))
	}
	tail := back(16)
	toolLooks[t.kind](h, t, d, back, tail)
}

// toolLooks draws each kind: d points from the tip to the hand, back gives the
// place so many millimetres behind the tip.
var toolLooks = [...]func(h *hand, t tool, d pt, back func(float32) pt, tail pt){
	sideBlade: func(h *hand, t tool, d pt, back func(float32) pt, tail pt) {
		h.stroke(t.tip, back(2.6), 0.02, 0.42, metal(rgb(0xcdd5da)))
		h.stroke(back(2.5), back(5), 0.42, 0.36, metal(steelInk))
		h.stroke(back(5), tail, 0.62, 0.75, metal(rgb(0x4a7d8c)))
	},
	keratome: func(h *hand, t tool, d pt, back func(float32) pt, tail pt) {
		h.stroke(t.tip, back(1.9), 0.03, 1.12, metal(rgb(0xd5dce0)))
		h.stroke(back(1.9), back(3.2), 1.12, 0.95, metal(rgb(0xc3ccd2)))
		h.stroke(back(3.4), back(5.4), 0.4, 0.36, metal(steelInk))
		h.stroke(back(5.4), tail, 0.66, 0.8, metal(rgb(0x4a7d8c)))
	},
	crescent: func(h *hand, t tool, d pt, back func(float32) pt, tail pt) {
		h.stroke(t.tip.add(d.mul(0.7)), back(2.2), 0.85, 0.8, metal(rgb(0xd5dce0)))
		h.stroke(back(2.6), back(5), 0.34, 0.34, metal(steelInk))
		h.stroke(back(5), tail, 0.62, 0.75, metal(rgb(0x4a7d8c)))
	},
	cannula: func(h *hand, t tool, d pt, back func(float32) pt, tail pt) {
		bend := back(2.2).add(d.turn().mul(0.25))
		h.stroke(t.tip, bend, 0.15, 0.17, metal(steelInk))
		h.stroke(bend, back(8), 0.17, 0.2, metal(steelInk))
		h.stroke(back(7.5), tail, 0.7, 1.1, metal(rgb(0xa9bfc6)))
	},
	needle: func(h *hand, t tool, d pt, back func(float32) pt, tail pt) {
		h.stroke(t.tip, back(0.5), 0.02, 0.12, metal(steelInk))
		h.stroke(back(0.5), back(8), 0.12, 0.13, metal(steelInk))
		h.stroke(back(8), tail, 0.6, 1, metal(rgb(0xd9b35a)))
	},
	cystotome: func(h *hand, t tool, d pt, back func(float32) pt, tail pt) {
		h.stroke(t.tip, t.tip.add(d.turn().mul(0.5)).add(d.mul(0.15)), 0.05, 0.12, metal(steelInk))
		h.stroke(t.tip.add(d.turn().mul(0.5)).add(d.mul(0.15)), back(8).add(d.turn().mul(0.3)), 0.12, 0.15, metal(steelInk))
		h.stroke(back(8).add(d.turn().mul(0.3)), tail, 0.6, 1, metal(rgb(0xd9b35a)))
	},
	forceps:     jaws(0.11, 0.32, rgb(0xb4bcc3)),
	scissorTool: jaws(0.13, 0.5, rgb(0xc7cdd2)),
	holder:      jaws(0.18, 0.4, rgb(0xa9aeb3)),
	phaco: func(h *hand, t tool, d pt, back func(float32) pt, tail pt) {
		h.stroke(back(0.5), back(1.4), 0.4, 0.42, metal(steelInk))
		h.stroke(t.tip, back(0.55), 0.33, 0.4, metal(rgb(0xc3ccd2)))
		h.disc(back(0.16), 0.2, steelDark, 0.85)
		if t.buzz > 0.05 {
			h.glow(t.tip, 0.75, whiteInk, 0.2*t.buzz)
		}
		h.stroke(back(1.4), back(5.2), 0.56, 0.62, sleeve())
		h.disc(back(1.75).add(d.turn().mul(0.2)), 0.16, rgb(0x2f6f78), 0.7)
		h.stroke(back(5.2), back(6.8), 0.7, 0.95, metal(rgb(0x59636b)))
		h.stroke(back(6.8), tail, 1.15, 1.3, metal(rgb(0x6d767d)))
	},
	chopperTool: func(h *hand, t tool, d pt, back func(float32) pt, tail pt) {
		elbow := t.tip.add(d.mul(0.35)).add(d.turn().mul(-0.75))
		h.stroke(t.tip, elbow, 0.09, 0.12, metal(rgb(0xb4bcc3)))
		h.stroke(elbow, back(7), 0.13, 0.17, metal(rgb(0xb4bcc3)))
		h.stroke(back(7), tail, 0.5, 0.6, metal(steelInk))
	},
	spatula: func(h *hand, t tool, d pt, back func(float32) pt, tail pt) {
		h.stroke(t.tip, back(2.5), 0.2, 0.16, metal(rgb(0xc3ccd2)))
		h.stroke(back(2.5), back(7), 0.15, 0.18, metal(rgb(0xb4bcc3)))
		h.stroke(back(7), tail, 0.5, 0.6, metal(steelInk))
	},
	hookTool: func(h *hand, t tool, d pt, back func(float32) pt, tail pt) {
		h.stroke(t.tip, t.tip.add(d.turn().mul(0.28)), 0.1, 0.11, metal(rgb(0xb4bcc3)))
		h.stroke(t.tip.add(d.turn().mul(0.28)), back(7), 0.11, 0.17, metal(rgb(0xb4bcc3)))
		h.stroke(back(7), tail, 0.5, 0.6, metal(steelInk))
	},
	coaxialIA: func(h *hand, t tool, d pt, back func(float32) pt, tail pt) {
		h.stroke(t.tip, back(1.2), 0.3, 0.33, metal(rgb(0xb9c2c8)))
		h.disc(back(0.2), 0.12, steelDark, 0.9)
		h.stroke(back(1.2), back(5), 0.5, 0.56, sleeve())
		h.stroke(back(5), tail, 0.7, 1.05, metal(rgb(0x59636b)))
	},
	aspirator: tube(0.24, rgb(0xb9c2c8), rgb(0x59636b)),
	irrigator: tube(0.27, rgb(0xaab6bd), rgb(0x3f7f8a)),
	simcoe: func(h *hand, t tool, d pt, back func(float32) pt, tail pt) {
		n := d.turn().mul(0.17)
		h.stroke(t.tip.add(n), back(8).add(n), 0.16, 0.18, metal(steelInk))
		h.stroke(back(0.5).sub(n), back(8).sub(n), 0.16, 0.18, metal(rgb(0xb9c2c8)))
		h.disc(back(0.15).add(n), 0.09, steelDark, 0.9)
		h.stroke(back(8), tail, 0.8, 1.1, metal(rgb(0xa9bfc6)))
	},
	cutter: func(h *hand, t tool, d pt, back func(float32) pt, tail pt) {
		k := metal(rgb(0xb4bcc3))
		h.stroke(t.tip, back(5.5), 0.27, 0.28, k)
		h.disc(back(0.35), 0.14, steelDark, 0.9)
		h.stroke(back(5.5), tail, 0.8, 1.2, metal(rgb(0x50606c)))
	},
	injector: func(h *hand, t tool, d pt, back func(float32) pt, tail pt) {
		h.stroke(t.tip, back(3.2), 0.62, 0.78, glossOf(0.72, func(across float32) ink {
			return rgb(0xa8cfe0).to(whiteInk, clamp32(0.7-abs32(across+0.3)*1.4))
		}))
		h.stroke(back(3.2), tail, 1, 1.35, metal(rgb(0x6fa3bd)))
	},
	cauteryTip: func(h *hand, t tool, d pt, back func(float32) pt, tail pt) {
		h.glow(t.tip, 0.9, rgb(0xfff3d0), 0.5)
		n := d.turn().mul(0.16)
		h.stroke(t.tip.add(n), back(5), 0.1, 0.2, metal(steelInk))
		h.stroke(t.tip.sub(n), back(5), 0.1, 0.2, metal(steelInk))
		h.stroke(back(5), tail, 0.6, 0.8, metal(rgb(0x3a5a8c)))
	},
	lightPipe: func(h *hand, t tool, d pt, back func(float32) pt, tail pt) {
		h.glow(t.tip.sub(d.mul(0.9)), 2.6, rgb(0xfff6da), 0.5)
		h.stroke(t.tip, back(4.5), 0.26, 0.28, metal(rgb(0xd5dce0)))
		h.stroke(back(4.5), tail, 0.5, 0.6, metal(rgb(0x343b40)))
	},
	vectis: func(h *hand, t tool, d pt, back func(float32) pt, tail pt) {
		c := back(1.9)
		last := pt{}
		for i := range 17 {
			a := float64(i) * 22.5
			p := c.add(d.mul(1.9 * cosd(a))).add(d.turn().mul(1.7 * sind(a)))
			if i > 0 {
				h.stroke(last, p, 0.13, 0.13, metal(rgb(0xb9c2c8)))
			}
			last = p
		}
		h.stroke(back(3.8), back(8), 0.18, 0.24, metal(rgb(0xb9c2c8)))
		h.stroke(back(8), tail, 0.6, 0.8, metal(steelInk))
	},
}

// sleeve is a silicone sleeve: tinted, half clear, with a soft light on it.
func sleeve() *gloss {
	return glossOf(0.93, func(across float32) ink {
		h := clamp32(1 - (across+0.3)*(across+0.3)*1.6)
		return sleeveInk.to(steelDark, 0.5*(1-h)).to(whiteInk, 0.35*h*h)
	})
}

// jaws are two blades that meet at the tip, on a shaft.
func jaws(r, spread float32, k ink) func(h *hand, t tool, d pt, back func(float32) pt, tail pt) {
	return func(h *hand, t tool, d pt, back func(float32) pt, tail pt) {
		n := d.turn()
		o := n.mul(0.06 + t.open*spread)
		join := back(4.6)
		h.stroke(t.tip.add(o), back(1.6).add(n.mul(spread*0.6)).add(o.mul(0.5)), r*0.7, r, metal(k))
		h.stroke(back(1.6).add(n.mul(spread*0.6)).add(o.mul(0.5)), join, r, r*1.2, metal(k))
		h.stroke(t.tip.sub(o), back(1.6).sub(n.mul(spread*0.6)).sub(o.mul(0.5)), r*0.7, r, metal(k))
		h.stroke(back(1.6).sub(n.mul(spread*0.6)).sub(o.mul(0.5)), join, r, r*1.2, metal(k))
		h.stroke(join, back(8), 0.34, 0.5, metal(k))
		h.stroke(back(8), tail, 0.75, 0.95, metal(rgb(0x7f8a92)))
	}
}

// tube is a blunt tube with a port.
func tube(r float32, k, grip ink) func(h *hand, t tool, d pt, back func(float32) pt, tail pt) {
	return func(h *hand, t tool, d pt, back func(float32) pt, tail pt) {
		h.stroke(t.tip, back(6.5), r, r*1.08, metal(k))
		h.disc(back(0.2), r*0.42, steelDark, 0.9)
		h.stroke(back(6.5), tail, 0.7, 0.95, metal(grip))
	}
}

// frown is the place on a frown-shaped groove above, q of the way along it.
func frown(limbus, q float32) pt {
	x := -3.5 + 7*q
	return pt{x, -(limbus + 1.75) - 0.028*x*x}
}
