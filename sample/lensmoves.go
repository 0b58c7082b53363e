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
	if !g.sc.has("st.epinucleus") {
		g.lens.epi = min(g.lens.epi, 1-g.span(0.72, 1))
	}
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
	} else {
		splitAndTake(g, g.p)
	}
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
	pieceHands(g, all*q*1.9)
}

// pieceHands holds the tip in the middle while the second hand splits, then
// feeds it piece after piece.
func pieceHands(g *gig, split float32) {
	n := &g.lens.nucleus
	n.phase = float32(g.t)
	c := polar(0.5, g.main()).add(pt{0.15 * g.sway(8, 0.8), 0.12 * g.sway(9, 0.9)})
	c = polar(1.9-3.6*g.beat(3.4), g.main()).lerp(c, step32(0, 0.3, split))
	g.use(phaco, g.main(), c).buzz = 1
	k := min(int(split), n.pieces)
	from, to := chopperAt(g, k-1, 1), chopperAt(g, k, split-float32(k))
	if k == 0 {
		from = polar(2.6, g.side()+20)
	}
	at := from.lerp(to, step32(0, 0.2, split-float32(k)))
	g.use(chopperTool, g.side(), at.add(pt{g.lens.dx, g.lens.dy}))
}

// chopperAt is where the second hand is in the k-th split, f of the way: from
// the equator, or near the tip, towards the middle. Past the last it rests.
func chopperAt(g *gig, k int, f float32) pt {
	n := &g.lens.nucleus
	if k >= n.pieces {
		return polar(1.3+0.3*g.sway(4, 0.8), g.main()+150)
	}
	far := float32(3.3)
	if g.sc.has("t.vertical-chop", "t.multilevel-chop") {
		far = 1.5
	}
	each := 360 / float64(max(n.pieces, 1))
	deg := g.main() + 180 + each*float64(splitOrder(k, n.pieces)) + 8
	return polar(far-(far-0.7)*step32(0.2, 0.85, f), deg)
}

// splitOrder is which boundary between pieces the k-th split opens: first the
// two that halve the nucleus, then the rest.
func splitOrder(k, pieces int) int {
	k = max(k, 0)
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
	n.gone = float32(n.pieces) * clamp32((g.p-0.02)/0.94)
	if !g.sc.has("st.epinucleus") {
		g.lens.epi = min(g.lens.epi, 1-g.span(0.72, 1))
	}
	pieceHands(g, n.split+1)
}
