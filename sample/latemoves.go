package sample

func takeShell(g *gig) {
	q := g.span(0.08, 0.95)
	n := &g.lens.nucleus
	n.there = n.front > 0
	g.lens.golden *= 1 - g.span(0, 0.3)
	g.lens.epi = min(g.lens.epi, 1-q)
	if g.on && g.t < g.a.to-22 || !g.sc.has("c.pcr") {
		g.use(phaco, g.main(), polar(1.4*(1-q)+0.2*g.sway(6, 1), g.main()+90*float64(g.sway(5, 0.4)))).buzz = 0.2
	} else {
		// At a rupture the tip stays where it is until the chamber is full.
		g.use(phaco, g.main(), polar(0.7, g.main()))
	}
	if !g.a.with["t.fill-before-withdraw"] {
		g.use(chopperTool, g.side(), polar(1.7, g.side()+20))
	}
	g.front.ovd *= 1 - 0.6*g.span(0, 0.15)
}

func takeCortex(g *gig) {
	n := &g.lens.nucleus
	n.there = n.shrink > 0 && g.p < 0.1 && g.lens.epi > 0
	g.lens.epi = min(g.lens.epi, 1-g.span(0, 0.12))
	q := g.span(0.06, 0.93)
	g.lens.cortex = min(g.lens.cortex, 1-q)
	deg := g.main() + 150 + 360*float64(q)
	pull := g.beat(5.5)
	tip := polar(3.2-2.2*pull, deg)
	if g.a.with["t.tangential-strip"] {
		tip = polar(2.9-0.5*pull, deg+float64(50*pull))
	}
	tip = tip.add(pt{g.lens.dx, g.lens.dy})
	switch {
	case g.a.with["i.simcoe"]:
		g.use(simcoe, 270, tip)
	case g.a.with["t.dry-aspiration"]:
		g.front.ovd = max(g.front.ovd, g.span(0, 0.1))
		g.use(cannula, g.side(), tip)
	case g.a.with["t.bimanual-ia"]:
		g.use(aspirator, g.other(), tip)
		g.use(irrigator, g.side(), polar(2.4, g.side()))
	default:
		g.use(coaxialIA, g.main(), tip)
	}
	if !g.a.with["t.dry-aspiration"] {
		g.front.ovd *= 1 - 0.7*g.span(0, 0.1)
	}
}

func polish(g *gig) {
	g.use(coaxialIA, g.main(), pt{1.5 * g.sway(1, 0.9), 1.5 * g.sway(2, 0.8)})
}

func openBack(g *gig) {
	end := millimetres(g.a.words, 3.5) / 2
	q := g.span(0.12, 0.92)
	g.lens.post = tear{radius: end, from: float32(g.main() - 90), part: q}
	g.use(forceps, g.main(), polar(end*0.8, float64(g.lens.post.from+360*q))).open = 0.25 * g.beat(5)
}

func tensionRing(g *gig) {
	g.lens.ctr = g.span(0.08, 0.85)
	g.useIn(forceps, g.main(), polar(2.2+1.6*(1-g.lens.ctr), g.main()), g.span(0, 0.08)*g.span(0.98, 0.9))
	g.useIn(hookTool, g.side(), polar(2.6, g.side()+60+float64(60*g.lens.ctr)), g.span(0.3, 0.4)*g.span(0.98, 0.9))
	centre := g.span(0.4, 0.85)
	g.lens.dx *= 1 - centre
	g.lens.dy *= 1 - centre
}

// hooksIn pulls the rhexis edge to the limbus with hooks for as long as the note
// lasts.
func hooksIn(g *gig) {
	g.front.hookMost = count(g.a.words, 4)
	q := step32(0, 1, float32(g.t-g.a.from)/44)
	if !g.on {
		g.front.hooks = float32(g.front.hookMost) * step32(12, 2, float32(g.t-g.a.to))
		return
	}
	g.front.hooks = float32(g.front.hookMost) * q
	if !g.sc.eye.sublux || !g.sc.has("d.ctr") {
		return
	}
	g.lens.dx *= 1 - 0.75*q
	g.lens.dy *= 1 - 0.75*q
}

func rupture(g *gig) {
	s := float32(g.t - g.a.from)
	g.lens.hole = step32(0.5, 9, s)
	g.lens.vitreous = step32(3, 20, s)
	if g.sc.has("st.anterior-vitrectomy") && !g.on {
		g.lens.vitreous = 0
	}
}

func fallAway(g *gig) { g.lens.drop = clamp32(float32(g.t-g.a.from) / 9) }

func fillFirst(g *gig) {
	if g.on {
		g.use(cannula, g.side(), polar(1.6, g.side()+20))
		g.front.ovd = max(g.front.ovd, g.span(0.15, 0.8))
		return
	}
	if g.t < g.a.from+14 && g.a.from == g.a.to {
		g.front.ovd = max(g.front.ovd, step32(0, 8, float32(g.t-g.a.from)))
	}
}

func barrier(g *gig) { g.front.ovd = max(g.front.ovd, g.span(0.1, 0.9)) }

// topUp is a short refill in the middle of another stage.
func topUp(g *gig) {
	s := float32(g.t - g.a.from)
	if g.a.to-g.a.from > 1 || s > 60 {
		return
	}
	g.front.ovd = max(g.front.ovd, 0.9*step32(1, 7, s)*step32(60, 20, s))
}

func burn(g *gig) {
	s := float32(g.t - g.a.from)
	if s < 24 {
		g.front.milk, g.front.milkAt = step32(0, 2, s)*step32(14, 7, s), g.rim(g.main()).mul(0.86)
		g.front.cool = step32(4, 8, s) * step32(22, 16, s)
	}
	g.front.hydrate = max(g.front.hydrate, 0.35*step32(0, 4, s))
}

func vitrectomy(g *gig) {
	q := g.span(0.1, 0.9)
	where := pt{1.1 * g.sway(1, 0.5), 0.9 * g.sway(2, 0.45)}
	if g.front.strand > 0 && g.lens.hole == 0 {
		where = polar(2.4-1.2*g.beat(9), -30).add(where.mul(0.3))
	}
	g.front.strand *= 1 - q
	g.lens.vitreous *= 1 - q
	if g.a.with["t.pp-vitrectomy-anterior"] {
		g.use(cutter, 318, where.mul(0.8)).behind = true
		g.use(irrigator, g.side(), polar(3, g.side()))
		return
	}
	if g.a.with["t.dry-vitrectomy"] && g.p < 0.25 {
		return // the stain goes in first
	}
	g.use(cutter, g.main(), where)
	if !g.a.with["t.dry-vitrectomy"] {
		g.use(irrigator, g.side(), polar(2.7, g.side()))
	}
}

// crystals is triamcinolone: specks where there is vitreous, a white cloud as a
// drug.
func crystals(g *gig) {
	s := float32(g.t - g.a.from)
	if g.sc.inStage("st.anterior-vitrectomy", g.a.from+1) {
		if s < 150 {
			g.front.specks = step32(0, 6, s) * step32(110, 60, s)
		}
		if g.a.from+22 > g.t && g.sc.has("t.dry-vitrectomy") {
			g.on, g.p = true, clamp32(s/22)
			g.useIn(cannula, g.side(), polar(1.5, -40), g.span(0, 0.12)*g.span(1, 0.85))
		}
		return
	}
	if s < 30 {
		g.front.plume, g.front.plumeAt, g.front.white = step32(0, 5, s)*step32(30, 14, s), pt{}, true
		g.on = s < 16
		g.useIn(cannula, g.side(), polar(2, g.side()), step32(0, 2, s)*step32(16, 13, s))
	}
}

func implantLens(g *gig) {
	i := &g.lens.iol
	g.lens.nucleus.there = false
	g.lens.epi, g.lens.cortex = 0, min(g.lens.cortex, 0.06)
	g.lens.wave, g.front.ovd = 0, max(g.front.ovd, 0.9*g.span(0, 0.12))
	i.three = g.sc.has("d.iol-3p", "t.fix-sulcus")
	i.rigid = g.sc.has("d.iol-pmma")
	in := g.span(0.08, 0.3)
	i.part = 0.25*in + 0.75*g.span(0.36, 0.72)
	i.from = polar(3.4*(1-g.span(0.16, 0.5)), g.main())
	i.turn = float32(g.main()) + 90*g.span(0.7, 0.95)
	if i.rigid {
		i.part, i.from = max(in, 0.02), polar(9*(1-g.span(0.12, 0.55)), 270)
		g.useIn(forceps, 270, i.from.add(polar(1.8, 270)), g.span(0, 0.1)*g.span(0.66, 0.56))
	} else {
		g.useIn(injector, g.main(), polar(2.9, g.main()), g.span(0, 0.12)*g.span(0.55, 0.42))
	}
	if g.p > 0.62 {
		g.useIn(hookTool, g.side(), polar(2.4, float64(i.turn)-60), g.span(0.62, 0.72)*g.span(1, 0.94))
	}
}

func settleLens(g *gig) {
	if !g.a.with["t.fix-optic-capture"] {
		g.lens.iol.turn += 70 * g.span(0.2, 0.9)
	}
	g.use(hookTool, g.side(), polar(2.1+0.4*g.beat(4), g.side()+160*float64(g.span(0.4, 0.6))))
}

func capture(g *gig) { g.lens.iol.capture = g.span(0.15, 0.85) }

func washOut(g *gig) {
	g.front.ovd *= 1 - g.span(0.08, 0.85)
	behind := g.span(0.45, 0.55) * g.span(0.88, 0.78) // the implant
	tip := polar(2.2-1.3*behind+0.5*g.sway(1, 0.8), g.t*38)
	if g.sc.eye.above {
		g.use(simcoe, 270, tip)
		return
	}
	g.use(coaxialIA, g.main(), tip)
}

func closeWounds(g *gig) {
	g.front.hydrate = max(g.front.hydrate, g.span(0.15, 0.6))
	deg := g.main() + 9
	if g.p > 0.62 {
		deg = g.side() + 8
	}
	in := g.span(0.04, 0.14)*g.span(0.6, 0.52) + g.span(0.64, 0.7)*g.span(0.96, 0.9)
	if g.on {
		g.useIn(cannula, deg, g.rim(deg).mul(0.95), in)
	}
	g.surface.pupil += (5.2 - g.surface.pupil) * 0.5 * g.span(0.3, 1) * boolTo(g.surface.pupil > 5.2, 1)
}

func suture(g *gig) {
	wounds := 1 + g.front.ports
	k := min(int(g.p*float32(wounds)), wounds-1)
	g.front.sutures = max(g.front.sutures, min(int(g.p*float32(wounds)+0.25), wounds))
	f := g.p*float32(wounds) - float32(k)
	deg := [...]float64{g.main(), g.side(), g.other()}[min(k, 2)]
	if g.on {
		g.useIn(holder, deg+14, g.rim(deg).mul(1.0).add(polar(0.7*(g.beat(4)*2-1), deg+90)), step32(0.02, 0.15, f)*step32(0.98, 0.88, f)).free = true
		g.useIn(forceps, deg-25, g.rim(deg).mul(1.04), step32(0.02, 0.15, f)*step32(0.98, 0.88, f)).free = true
	}
}

func sewIris(g *gig) {
	q := g.span(0.2, 0.85)
	g.front.iris = g.span(0.1, 0.4)
	g.surface.notch *= 1 - q
	at := polar(g.surface.pupil/2+0.3, -30)
	g.use(needle, 12, at.add(pt{0.9 * (g.beat(9)*2 - 1), 0.3}))
	g.use(forceps, 250, at.add(pt{-0.4, -0.6}))
}

func prolapse(g *gig) {
	g.lens.nucleus.front = g.span(0.2, 0.95)
	g.use(hookTool, 270, polar(2.4, 300-120*float64(g.p)))
}

// deliver brings the whole nucleus before the iris and out through the tunnel.
func deliver(g *gig) {
	n := &g.lens.nucleus
	n.front = max(n.front, g.span(0.02, 0.14))
	g.lens.epi = min(g.lens.epi, 1-g.span(0.02, 0.4))
	if !g.on {
		n.there = false
		return
	}
	last := float32(0.7)
	n.out = step32(0.38, last, g.p)
	if g.a.with["t.viscoexpression"] && g.p < 0.17 {
		n.out = 0.06 * g.span(0.08, 0.13) * g.span(0.17, 0.14)
		g.useIn(cannula, 270, polar(2.5, 100), g.span(0, 0.03)*g.span(0.17, 0.15))
		g.front.ovd = max(g.front.ovd, g.span(0, 0.1))
		return
	}
	if g.p > last {
		n.there = false
		g.useIn(cannula, g.side(), pt{}, g.span(0.76, 0.8)*g.span(0.98, 0.94))
		return
	}
	at := pt{0, -n.out * 8}
	in := g.span(0.18, 0.24)
	g.useIn(vectis, 268, at.add(pt{0, 1.6}), in)
	if g.a.with["t.sandwich"] {
		g.useIn(spatula, 275, at.add(pt{0.2, 2.0}), g.span(0.26, 0.32))
	}
}

func sideLight(g *gig) {
	g.front.oblique = step32(0, 6, float32(g.t-g.a.from)) * step32(0, 6, float32(g.a.to-g.t))
	if g.on {
		deg := 214.0
		if g.t > g.a.from+235 {
			deg = 196
		}
		g.use(lightPipe, deg, polar(g.sc.eye.limbus+0.1, deg)).free = true
	}
}
