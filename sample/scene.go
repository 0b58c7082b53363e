package sample

// surface is what is seen of the eye's outside and its iris at one instant.
// Lengths are millimetres, parts run from 0 to 1, angles are degrees clockwise
// from three o'clock on the screen.
type surface struct {
	awake     bool    // at the slit lamp: lids instead of a drape
	light     float32 // of the lamp: 1 in theatre
	slit      float32 // place of the slit beam
	slitOn    bool
	down      float32 // the eye is turned down, so that the sclera above shows
	pupil     float32 // diameter
	fest      float32 // part of the margin that is stuck to the lens
	festFrom  float32 // where it begins
	notch     float32 // a tear of the margin
	bow       float32 // chamber: -1 shallow, 1 deep
	billow    float32
	phase     float32 // of the billow
	peritomy  float32
	cautery   float32
	groove    float32
	tunnel    float32
	windows   [2]float32
	vesselled bool // fine vessels on the iris
}

// lens is what is seen in the pupil, behind the iris.
type lens struct {
	reflex   float32 // brightness of the red reflex
	dx, dy   float32 // of the bag, off the centre
	stain    float32
	swell    float32 // pressure in an intumescent lens
	open     float32 // radius of the finished front opening
	tear     tear
	rot      float32
	wave     float32 // a fluid wave's place
	waveDir  float32
	golden   float32
	nucleus  nucleus
	epi      float32 // what is left of the shell
	cortex   float32
	plaque   float32
	streak   float32
	post     tear // of the posterior capsule
	hole     float32
	drop     float32 // of the fragment that falls away
	ctr      float32
	iol      implant
	vitreous float32
}

// tear is a capsule opening on its way round.
type tear struct {
	radius float32
	from   float32 // where it began
	part   float32 // how far round
	run    float32 // how far it has run out, at runAt
	runAt  float32
	bites  bool // a can-opener's edge
}

// nucleus is the hard part of the lens.
type nucleus struct {
	there   bool
	grooves [2]float32
	crater  float32
	pieces  int     // once split
	split   float32 // how many of the splits are made
	deep    float32 // how far the splits reach through a leathery plate
	gone    float32 // how many pieces are gone; a fraction is on its way
	shrink  float32 // of a soft nucleus that is aspirated whole
	phase   float32 // of the piece at the tip
	front   float32 // tipped into the chamber
	out     float32 // on its way through the tunnel
}

// implant is the artificial lens.
type implant struct {
	part    float32 // how far it has unfolded; 0 none
	turn    float32
	from    pt // where it is while it comes in
	three   bool
	rigid   bool
	capture float32
}

// front is what lies before the iris, up to the cornea and the wounds.
type front struct {
	ovd      float32
	bubble   float32
	pool     float32 // dye in the chamber
	milk     float32
	milkAt   pt
	plume    float32 // of an injected drug
	plumeAt  pt
	white    bool // the plume is white
	specks   float32
	strand   float32
	membrane float32
	ports    int
	wound    float32
	hydrate  float32
	sutures  int
	hooks    float32 // of the capsule
	hookMost int
	ring     float32
	ringOut  float32
	haze     float32
	cool     float32
	folds    float32 // of the cornea, the day after
	flap     bool
	oblique  float32 // light from the side
	iris     float32 // suture of the iris
}

// scene is one instant of a film, whole.
type scene struct {
	surface surface
	lens    lens
	front   front
	tools   []tool
	still   float32 // how much the hands hold still, at a decision
}

// cataract says how the lens looks before anything is done to it.
type cataract int

const (
	nuclear cataract = iota
	white
	brown
	polarRings
	lamellar
	soft
	hazy
)

// eye is what does not change during the film.
type eye struct {
	seed    uint32
	left    bool
	kind    cataract
	rank    int     // of the factor that said so
	limbus  float32 // radius of the cornea
	pupil   float32 // diameter at the start
	synech  bool
	notch   bool
	scar    bool
	guttata bool
	child   bool
	dull    bool // poor red reflex
	shallow bool
	loose   bool
	sublux  bool
	myope   bool
	vessels bool
	above   bool // operated through a tunnel above
}

// view turns millimetres from the middle of the eye into pixels.
type view struct {
	x, y float32 // of the middle
	k    float32 // pixels a millimetre
}

func (v view) at(p pt) pt { return pt{v.x + p.x*v.k, v.y + p.y*v.k} }

func (v view) back(x, y float32) pt { return pt{(x - v.x) / v.k, (y - v.y) / v.k} }
