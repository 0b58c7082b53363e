package sample

// moves is the table of what each concept of the record looks like. A concept
// that is not here leaves the eye as it is.
var moves = map[string]func(*gig){
	"st.preop-view": lampView, "st.postop-view": lampView,
	"st.prep-drape": func(g *gig) { g.surface.light = 0.7 }, "st.anaesthesia": func(g *gig) { g.surface.light = 0.8 },
	"st.paracentesis": sidePort, "st.main-incision": mainWound, "st.internal-entry": tunnelEntry,
	"st.ovd-injection": fill, "st.capsule-staining": stain, "st.intracameral-abx": inject, "st.miotic": inject,
	"st.pupil-expansion": expand, "st.synechiolysis": freeIris, "st.membrane-peel": peel,
	"st.capsulorhexis": rhexis, "st.hydrodissection": hydro, "st.hydrodelineation": delineate,
	"st.nucleus-rotation": rotate, "st.nucleus-removal": removeNucleus, "st.sculpting": sculpt, "st.cracking": crack,
	"st.chopping": chop, "st.segment-removal": takePieces, "st.epinucleus": takeShell, "st.cortex": takeCortex,
	"st.capsule-polish": polish, "st.posterior-rhexis": openBack, "st.ctr-insertion": tensionRing,
	"st.anterior-vitrectomy": vitrectomy, "st.iol-insertion": implantLens, "st.iol-positioning": settleLens,
	"st.ovd-removal": washOut, "st.wound-closure": closeWounds, "st.suturing": suture, "st.iris-repair": sewIris,
	"st.peritomy": peritomy, "st.cautery": cautery, "st.scleral-groove": groove, "st.scleral-tunnel": tunnel,
	"st.nucleus-prolapse": prolapse, "st.nucleus-delivery": deliver, "st.conj-closure": closeConj,

	"t.viscodissection": underRim, "t.iris-lift": liftIris, "d.phenylephrine": inject, "d.pupil-ring": ringIn,
	"d.iris-hooks": ringIn, "d.capsule-hooks": hooksIn, "t.scleral-window": windowsCut, "t.vitreous-tap": tap,
	"t.illumination-assist": sideLight, "d.triamcinolone": crystals, "t.fill-before-withdraw": fillFirst,
	"t.visco-barrier": barrier, "t.fix-optic-capture": capture, "t.soft-shell": barrier,
	"d.ovd-dispersive": topUp,

	"c.rhexis-runout": runOut, "c.iris-billowing": billow, "c.lidrs": deepen, "c.fluid-misdirection": shallow,
	"c.sudden-deepening": suddenly, "c.pcr": rupture, "c.dropped-fragment": fallAway, "c.wound-burn": burn,
	"c.vitreous-loss":    func(g *gig) { g.lens.vitreous = max(g.lens.vitreous, g.within(3)) },
	"c.chamber-collapse": shallow,
}

func lampView(g *gig) {
	if !g.on {
		return
	}
	g.surface.awake = true
	g.surface.light = 0.62
	g.surface.slitOn = true
	g.surface.slit = (g.beat(14)*2 - 1) * 4.6
	if g.sc.eye.loose {
		g.lens.dx += 0.08 * g.sway(3, 4)
	}
}

func sidePort(g *gig) {
	n := count(g.a.words, 1)
	if n == 1 && g.a.with["t.anaes-ga"] || g.sc.has("d.capsule-hooks", "st.synechiolysis") {
		n = 2
	}
	stab(g, g.side(), 0.08, 0.5)
	if n > 1 {
		stab(g, g.other(), 0.52, 0.95)
	}
	if g.p > 0.3 {
		g.front.ports = max(g.front.ports, 1)
	}
	if n > 1 && g.p > 0.72 {
		g.front.ports = 2
	}
}

// stab takes a narrow blade through the cornea between two parts of the act.
func stab(g *gig, deg float64, a, b float32) {
	mid := (a + b) / 2
	in := g.span(a, mid) * g.span(b, mid)
	g.useIn(sideBlade, deg, polar(g.sc.eye.limbus-1.9, deg), in)
}

func mainWound(g *gig) {
	if g.front.ports == 0 {
		stab(g, g.side(), 0.05, 0.4)
		if g.p > 0.22 {
			g.front.ports = 1
		}
		in := g.span(0.45, 0.75) * g.span(0.98, 0.8)
		g.useIn(keratome, g.main(), polar(g.sc.eye.limbus-2.6, g.main()), in)
		g.front.wound = g.span(0.58, 0.78)
		return
	}
	in := g.span(0.05, 0.6) * g.span(0.98, 0.7)
	g.useIn(keratome, g.main(), polar(g.sc.eye.limbus-2.6, g.main()), in)
	g.front.wound = g.span(0.3, 0.65)
}

func fill(g *gig) {
	deg := g.side()
	g.use(cannula, deg, polar(1.2+0.8*g.sway(1, 0.35), deg+180))
	g.front.ovd = max(g.front.ovd, g.span(0.1, 0.9))
	g.surface.bow += (0.25 - g.surface.bow) * g.span(0.1, 0.9) * 0.8
	if g.sc.eye.kind == white {
		g.lens.swell *= 1 - 0.25*g.span(0.2, 0.9)
	}
	if g.lens.hole > 0 {
		g.lens.vitreous *= 1 - 0.6*g.span(0.1, 0.9)
	}
}

func stain(g *gig) {
	deg := g.side()
	if g.a.with["t.bubble-guard"] {
		g.front.bubble = g.span(0.06, 0.2) * g.span(0.97, 0.86)
	}
	g.use(cannula, deg, pt{2.0 * g.sway(1, 0.55), 1.8 * g.sway(2, 0.5)})
	g.lens.stain = max(g.lens.stain, g.span(0.22, 0.7))
	g.front.pool = g.span(0.2, 0.55) * g.span(0.95, 0.72)
}

func inject(g *gig) {
	deg := g.side()
	at := polar(3.4, deg)
	g.use(cannula, deg, at)
	if g.on {
		g.front.plume, g.front.plumeAt = g.span(0.08, 0.3)*g.span(0.95, 0.5), at.lerp(pt{}, 0.4)
	}
}

func expand(g *gig) {
	if g.a.with["d.pupil-ring"] || g.a.with["d.iris-hooks"] {
		hook := g.p > 0.3
		if !hook {
			g.useIn(injector, g.main(), pt{}.lerp(polar(2.4, g.main()), g.span(0.12, 0.28)), g.span(0, 0.1)*g.span(0.3, 0.22))
			return
		}
		q := (g.p - 0.3) / 0.7
		deg := float64(200 + 330*q)
		g.useIn(hookTool, g.side(), polar(g.surface.pupil/2+0.1*g.sway(2, 1), deg), g.span(0.3, 0.4)*g.span(1, 0.93))
		return
	}
	g.use(cannula, g.side(), polar(g.surface.pupil/2-0.4, float64(360*g.p)))
	g.front.ovd = max(g.front.ovd, g.span(0.1, 0.8))
}

// ringIn spreads a ring while the pupil is being enlarged, and takes it out
// after the note has ended.
func ringIn(g *gig) {
	s := float32(60)
	g.front.ring = step32(0.15, 1, float32(g.t-g.a.from)/s)
	if g.on {
		return
	}
	late := float32(g.t - g.a.to)
	g.front.ringOut = step32(0, 38, late)
	if late < 40 {
		g.on = true
		g.useIn(hookTool, g.side(), polar(g.surface.pupil/2*(1-0.4*g.front.ringOut), float64(80+late*8)), step32(0, 2, late)*step32(22, 19, late))
		g.useIn(forceps, g.main(), polar(1.6+1.5*step32(24, 38, late), g.main()), step32(21, 24, late)*step32(40, 37, late))
		g.on = false
	}
	g.front.ring *= 1 - step32(0.62, 1, g.front.ringOut)
	g.surface.pupil += (4.4 - g.surface.pupil) * g.front.ringOut
}

func freeIris(g *gig) {
	if g.a.with["t.viscodissection"] && g.t < g.a.from+18 {
		g.use(cannula, g.side(), polar(1.5, float64(300-6*(g.t-g.a.from))))
		g.front.ovd = max(g.front.ovd, g.span(0.02, 0.2))
		return
	}
	q := step32(0.18, 0.96, g.p)
	deg := float64(40 + 360*q)
	from := g.side()
	if q > 0.5 {
		from = g.other()
	}
	g.use(spatula, from, polar(g.surface.pupil/2+0.7+0.25*g.sway(4, 2), deg))
	g.surface.fest, g.surface.festFrom = 1-q, float32(deg)
	g.surface.pupil += 0.7 * q
}

func peel(g *gig) {
	q := g.span(0.15, 0.9)
	deg := float64(-60 + 300*q)
	g.use(forceps, g.side(), polar(1.3*(1-0.5*q), deg))
	g.front.membrane = min(g.front.membrane, 1-q)
	g.surface.pupil += 0.5 * q
}

func billow(g *gig) {
	if g.on {
		g.surface.billow = step32(0, 3, float32(g.t-g.a.from)) * step32(0, 5, float32(g.a.to-g.t))
		g.surface.phase = float32(g.t) * 2.1
		g.surface.pupil -= 0.35 * g.surface.billow
	}
}

// deepen bows the iris back until it is lifted or the note ends.
func deepen(g *gig) {
	if g.on {
		d := step32(0, 2.5, float32(g.t-g.a.from)) * step32(0, 5, float32(g.a.to-g.t))
		g.surface.bow += (1.2 - g.surface.bow) * d
		g.surface.pupil += 1.1 * d
	}
}

func shallow(g *gig) {
	if g.on {
		d := step32(0, 4, float32(g.t-g.a.from)) * step32(0, 9, float32(g.a.to-g.t))
		g.surface.bow += (-1.1 - g.surface.bow) * d
		g.surface.pupil -= 0.6 * d
	}
}

func suddenly(g *gig) {
	s := float32(g.t - g.a.from)
	d := step32(0, 1.2, s) * (1 - 0.75*step32(8, 26, s))
	if g.t < g.a.from+30 {
		g.surface.bow += (1 - g.surface.bow) * d
		g.surface.pupil += 0.7 * d
	}
}

func liftIris(g *gig) {
	if g.t > g.a.from+16 {
		return
	}
	g.use(hookTool, g.side(), polar(g.surface.pupil/2+0.35, g.side()+35))
	g.surface.bow *= 1 - 0.8*g.span(0.25, 0.7)
	g.surface.notch = max(g.surface.notch, 0.35*g.span(0.2, 0.4)*g.span(1, 0.8))
}

func peritomy(g *gig) {
	q := g.span(0.1, 0.95)
	g.surface.down = step32(0, 3, float32(g.t-g.a.from))
	g.surface.peritomy = q
	deg := float64(225 + 90*q)
	g.use(scissorTool, 290, polar(g.sc.eye.limbus+1.1, deg)).free = true
}

func cautery(g *gig) {
	g.surface.cautery = g.span(0.05, 0.95)
	p := polar(g.sc.eye.limbus+1.6+0.4*g.sway(1, 1), float64(238+64*g.beat(13)))
	g.use(cauteryTip, 285, p).free = true
}

func groove(g *gig) {
	g.surface.groove = g.span(0.1, 0.95)
	g.use(sideBlade, 280, frown(g.sc.eye.limbus, g.surface.groove)).free = true
}

func tunnel(g *gig) {
	q := g.span(0.05, 0.95)
	g.surface.tunnel = q
	in := polar(g.sc.eye.limbus+1.4-2.6*q*(0.8+0.2*g.beat(3)), 270).add(pt{2.4 * (g.beat(7)*2 - 1) * q, 0})
	g.use(crescent, 275, in).free = true
}

func tunnelEntry(g *gig) {
	q := g.span(0.1, 0.5)
	g.front.wound = g.span(0.25, 0.9)
	g.use(keratome, 270, polar(g.sc.eye.limbus-1.2-1.6*q, 270).add(pt{2.2 * (g.beat(8)*2 - 1) * g.span(0.4, 0.6), 0}))
}

func closeConj(g *gig) {
	q := g.span(0.1, 0.9)
	g.surface.peritomy *= 1 - q
	g.surface.groove *= 1 - q
	g.surface.tunnel *= 1 - q
	g.surface.cautery *= 1 - 0.8*q
	g.use(forceps, 285, polar(g.sc.eye.limbus+2.2-1.8*q, 270+20*float64(g.sway(2, 0.4)))).free = true
	g.surface.down *= g.span(1, 0.95)
}

func windowsCut(g *gig) {
	for i, deg := range [...]float64{222, 318} {
		a := float32(i) * 0.5
		q := step32(a+0.05, a+0.45, g.p)
		g.surface.windows[i] = max(g.surface.windows[i], q)
		if g.on && g.p >= a && g.p < a+0.5 {
			c := polar(g.sc.eye.limbus+2.2, deg)
			g.use(crescent, deg+25, c.add(pt{0.9 * g.sway(1, 1), 0.7 * g.sway(2, 1.2)})).free = true
		}
	}
	g.surface.down = g.within(3) * 0.55 * step32(0, 3, float32(g.a.to+14-g.t))
}

func tap(g *gig) {
	q := g.span(0.15, 0.9)
	g.use(cutter, 318, polar(1.4+0.6*g.sway(2, 0.6), 318)).behind = true
	g.surface.bow += 0.35 * q
}
