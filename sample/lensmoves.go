package sample

// rhexis opens the front capsule: by needle or forceps in one go, in bites, as
// a small opening that a later act enlarges, or not at all while a needle only
// lets the pressure out.
func rhexis(g *gig) {
	if g.a.with["t.capsule-decompression"] && g.lens.open == 0 {
		decompress(g)
		return
	}
	end := millimetres(g.a.words, 5) / 2
	l := &g.lens
	q := g.span(0.12, 0.94)
	start := float32(g.main() - 90)
	if at, ok := g.sc.runsOut(g.a); ok {
		// The tear comes to the place where it runs out within its first seconds.
		start = at - 80
		q = max(q, 0.235*g.span(0.02, 0.10))
	}
	t := tear{radius: end, from: start, part: q, run: l.tear.run, runAt: l.tear.runAt, bites: g.a.with["t.can-opener"]}
	if g.p >= 1 {
		l.open, l.tear = end, tear{bites: t.bites, run: t.run, runAt: t.runAt, radius: end}
	} else {
		l.tear = t
	}
	g.front.flap = g.on
	g.lens.stain *= 1 - 0.15*q
	tip := polar(end*(0.72+0.2*g.beat(6)), float64(start+360*q)).add(pt{l.dx, l.dy})
	if t.bites {
		g.use(cystotome, g.side(), polar(end*(0.92+0.14*g.beat(1.6)), float64(start+360*q)))
		return
	}
	if g.sc.eye.loose {
		l.dx += 0.12 * g.sway(7, 0.7)
	}
	from := g.main()
	if g.front.wound < 0.5 {
		from = g.side()
	}
	switch {
	case g.a.with["t.scissor-capsule"] && g.p < 0.5:
		g.use(scissorTool, from, tip).open = g.beat(2)
	case g.p < 0.2 && l.open == 0:
		g.useIn(cystotome, from, pt{}.lerp(tip, g.span(0.08, 0.2)), g.span(0, 0.06)*g.span(0.2, 0.17))
	default:
		g.useIn(forceps, from, tip, step32(0.2, 0.25, g.p+boolTo(l.open > 0, 0.2))*g.span(1, 0.95)).open = 0.25 * g.beat(6)
	}
}

func boolTo(b bool, v float32) float32 {
	if b {
		return v
	}
	return 0
}

func decompress(g *gig) {
	q := g.span(0.1, 0.9)
	rock := pt{0.35 * g.sway(1, 1.1) * g.span(0.4, 0.5), 0.2 * g.sway(2, 1.3) * g.span(0.4, 0.5)}
	g.use(needle, g.side(), pt{-0.1, 0}.add(rock))
	g.lens.swell *= 1 - 0.8*q
	if g.on {
		g.lens.dx += rock.x * 0.5
		g.front.milk, g.front.milkAt = g.span(0.12, 0.3)*(0.6+0.4*g.beat(8))*g.span(1, 0.8), pt{}
	}
}

// runOut lets the tear run outward and, where it is rescued, come back.
func runOut(g *gig) {
	s := float32(g.t - g.a.from)
	run := 1.5 * step32(1, 8, s)
	if g.a.with["t.rhexis-rescue"] {
		back := float32(g.a.to - g.t)
		run *= step32(2, 24, back)
	}
	g.lens.tear.run, g.lens.tear.runAt = run, clock(g.a.words, 30)
}

// runsOut finds where a tear that falls into the act runs out.
func (sc *script) runsOut(a *act) (deg float32, ok bool) {
	for _, b := range sc.acts {
		if b.concept == "c.rhexis-runout" && b.from >= a.from && b.from < a.to {
			return clock(b.words, 30), true
		}
	}
	return 0, false
}

// clock finds "4 o'clock" in words, as degrees on the screen.
func clock(words string, otherwise float32) float32 {
	for i := range len(words) {
		if words[i] == '\'' && i > 2 && i+6 <= len(words) && words[i-2:i+6] == " o'clock" {
			h := float32(words[i-3] - '0')
			if i > 3 && words[i-4] == '1' {
				h += 10
			}
			return h*30 - 90
		}
	}
	return otherwise
}

func hydro(g *gig) {
	waves := 1
	if g.a.with["t.multiquadrant-hydro"] {
		waves = 4
	}
	at := min(int(g.p*float32(waves)), waves-1)
	q := g.p*float32(waves) - float32(at)
	deg := g.main() + 180 + float64(at)*85
	g.use(cannula, g.main(), polar(g.lens.open-0.15+0.3, deg).add(pt{g.lens.dx, g.lens.dy}))
	if g.on {
		g.lens.wave, g.lens.waveDir = step32(0.3, 0.8, q), float32(deg)
	}
	g.front.ovd *= 1 - 0.6*g.span(0.1, 1)
}

func delineate(g *gig) {
	g.use(cannula, g.main(), polar(1.3, g.main()+150))
	g.lens.golden = g.span(0.3, 0.7)
	g.lens.nucleus.grooves[0] = max(g.lens.nucleus.grooves[0], 0.45*g.span(0, 0.15))
}

func underRim(g *gig) {
	if g.a.with["st.synechiolysis"] {
		return
	}
	deg := g.main() + 180 + 70*float64(g.sway(3, 0.25))
	if g.lens.epi < 1 || g.sc.inStage("st.epinucleus", g.t) || g.sc.inStage("st.synechiolysis", g.t) {
		return
	}
	g.use(cannula, g.main(), polar(max(g.lens.open, 1.5)+0.2, deg))
	if g.on {
		g.lens.wave, g.lens.waveDir = 0.28*g.span(0.2, 0.9), float32(deg)
	}
}

// inStage says whether a stage of this concept runs at t.
func (sc *script) inStage(concept string, t float64) bool {
	for _, a := range sc.acts {
		if a.kind == "stage" && a.concept == concept && a.from <= t && t < a.to {
			return true
		}
	}
	return false
}

func rotate(g *gig) {
	g.use(chopperTool, g.side(), polar(1.9, float64(-40+70*g.p)+g.main()))
	g.lens.rot += 65 * g.span(0.2, 0.9)
}

// pieces is how many pieces the techniques of the case make of the nucleus.
func (sc *script) pieces() int {
	switch {
	case sc.has("t.crater-chop", "t.multilevel-chop"):
		return 8
	case sc.has("t.divide-conquer"):
		return 4
	}
	return 6
}

func (sc *script) softWay() bool {
	return sc.has("t.bowl-out", "t.slow-motion") || sc.eye.child
}

func removeNucleus(g *gig) {
	n := &g.lens.nucleus
	g.front.ovd *= 1 - 0.7*g.span(0, 0.1)
	if g.sc.softWay() {
		bowl(g)
		return
	}
	n.pieces = g.sc.pieces()
	if g.sc.has("t.divide-conquer") || g.sc.has("t.stop-chop") {
		two := g.sc.has("t.divide-conquer")
		n.grooves[0] = g.span(0.02, 0.17)
		if two {
			g.lens.rot += 90 * g.span(0.17, 0.2)
			n.grooves[1] = g.span(0.2, 0.34)
		}
		begin := float32(0.19)
		if two {
			begin = 0.36
		}
		if g.p < begin {
			groovingHands(g)
			return
		}
		splitAndTake(g, (g.p-begin)/(1-begin))
		return
	}
	splitAndTake(g, g.p)
}

func groovingHands(g *gig) {
	d := polar(1, g.main())
	g.use(phaco, g.main(), d.mul(1.9-3.6*g.beat(3.4))).buzz = g.beat(3.4)
	g.use(chopperTool, g.side(), polar(2.6, g.side()+20))
}

// splitAndTake makes the splits and takes the pieces, q of the way.
func splitAndTake(g *gig, q float32) {
	n := &g.lens.nucleus
	all := float32(n.pieces)
	n.split = min(all, all*q*1.9)
	n.gone = max(0, all*(q-0.28)/0.70)
	n.gone = min(n.gone, all)
	pieceHands(g, n.split)
}

// pieceHands holds the tip in the middle while the second hand splits, then
// feeds it piece after piece.
func pieceHands(g *gig, split float32) {
	n := &g.lens.nucleus
	c := polar(0.5, g.main())
	n.phase = float32(g.t)
	g.use(phaco, g.main(), c.add(pt{0.15 * g.sway(8, 0.8), 0.12 * g.sway(9, 0.9)})).buzz = 1
	each := 360 / float64(max(n.pieces, 1))
	k := int(split)
	f := split - float32(k)
	far := float32(3.3)
	if g.sc.has("t.vertical-chop", "t.multilevel-chop") {
		far = 1.5
	}
	r := far - (far-0.7)*step32(0.15, 0.8, f)
	deg := g.main() + 180 + each*float64(splitOrder(k, n.pieces)) + 8
	if k >= n.pieces {
		r, deg = 1.3+0.3*g.sway(4, 0.8), g.main()+150
	}
	g.use(chopperTool, g.side(), polar(r, deg).add(pt{g.lens.dx, g.lens.dy}))
}

// splitOrder is which boundary between pieces the k-th split opens: first the
// two that halve the nucleus, then the rest.
func splitOrder(k, pieces int) int {
	half := pieces / 2
	if k < 2 {
		return k * half
	}
	rest := k - 2
	if rest < half-1 {
		return 1 + rest
	}
	return min(half+1+rest-(half-1), pieces-1)
}

func bowl(g *gig) {
	n := &g.lens.nucleus
	n.shrink = g.span(0.05, 0.97)
	deg := g.t * 24
	tip := polar(0.5+1.6*n.shrink*g.beat(5), deg)
	tip = tip.add(pt{g.lens.dx, g.lens.dy})
	if g.a.with["t.bimanual-ia"] {
		g.lens.epi, g.lens.cortex = min(g.lens.epi, 1-n.shrink), 1-g.span(0.3, 1)
		g.use(aspirator, g.other(), tip)
		g.use(irrigator, g.side(), polar(2.2, g.side()))
		return
	}
	g.use(phaco, g.main(), tip).buzz = 0.3
	g.use(chopperTool, g.side(), polar(1.8, g.side()+25))
}

func sculpt(g *gig) {
	n := &g.lens.nucleus
	g.front.ovd *= 1 - 0.7*g.span(0, 0.1)
	if g.a.with["t.crater-chop"] {
		n.crater = g.span(0.05, 0.95)
		deg := g.t * 50
		g.use(phaco, g.main(), polar(1.5*n.crater*g.beat(2.8), deg)).buzz = 1
		g.use(chopperTool, g.side(), polar(2.6, g.side()+20))
		return
	}
	n.grooves[0] = g.span(0.03, 0.45)
	g.lens.rot += 90 * g.span(0.47, 0.55)
	n.grooves[1] = g.span(0.55, 0.96)
	groovingHands(g)
}

func crack(g *gig) {
	n := &g.lens.nucleus
	n.pieces = g.sc.pieces()
	n.split = float32(n.pieces) * g.span(0.2, 0.95)
	o := 0.5 * g.beat(5)
	g.use(phaco, g.main(), polar(0.4+o, g.main()-40))
	g.use(chopperTool, g.side(), polar(0.5+o, g.main()+140))
}

func chop(g *gig) {
	n := &g.lens.nucleus
	n.pieces = g.sc.pieces()
	if g.sc.has("f.leathery", "t.multilevel-chop") {
		// The first chop opens the front alone; the plate yields at a second level.
		n.split = float32(n.pieces) * (0.25*g.span(0.05, 0.3) + 0.75*g.span(0.5, 1))
		n.deep = 0.25 + 0.75*g.span(0.5, 0.85)
	} else {
		n.split = float32(n.pieces) * g.span(0, 1)
	}
	pieceHands(g, min(n.split, float32(n.pieces)-0.01))
}

func takePieces(g *gig) {
	n := &g.lens.nucleus
	n.pieces = max(n.pieces, g.sc.pieces())
	n.split = float32(n.pieces)
	n.gone = float32(n.pieces) * step32(0, 1, 0.5*g.p+0.5*g.span(0.02, 0.98))
	n.gone = float32(n.pieces) * clamp32((g.p-0.02)/0.94)
	pieceHands(g, n.split)
}

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
	n.there = false
	g.lens.epi = 0
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
	tip := polar(2.2+0.5*g.sway(1, 0.8), g.t*42)
	if g.p > 0.5 && g.p < 0.8 {
		tip = polar(0.9, g.t*30)
	}
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
