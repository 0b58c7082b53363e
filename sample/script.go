package sample

import (
	"cmp"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"sideport/annotate"
)

// act is one thing that the film shows: a note of the record with its concept,
// its times in seconds, and the concepts of the techniques used meanwhile.
type act struct {
	concept  string
	kind     string
	from, to float64
	words    string
	with     map[string]bool
	n        int // how many acts of this concept came before
}

// script is a record made ready to be drawn.
type script struct {
	eye    eye
	acts   []act
	pauses []float64 // the decisions
	height []step    // the bottle against the usual height
	length float64
	last   float64 // when the last stage ends
}

// step is a value in force from a second on.
type step struct{ at, value float64 }

// newScript reads the record. Only notes with a concept, and the times of
// decisions and settings, are drawn; what the record does not say is not shown.
func newScript(c annotate.Case, length annotate.Time) *script {
	s := &script{length: length.Seconds(), eye: eyeOf(c)}
	for _, n := range c.Notes {
		from, to := n.Span.From.Seconds(), n.Span.To.Seconds()
		switch n.Kind {
		case "stage", "technique", "complication", "factor":
			if n.Term.Concept != "" {
				s.acts = append(s.acts, act{concept: n.Term.Concept, kind: n.Kind, from: from, to: max(to, from), words: n.Words + " " + n.Fields["grade"].Text})
			}
			if n.Kind == "stage" {
				s.last = max(s.last, to)
			}
		case "decision":
			s.pauses = append(s.pauses, from)
		case "setting":
			s.bottle(n, from)
		}
	}
	slices.SortStableFunc(s.acts, func(a, b act) int { return cmp.Compare(a.from, b.from) })
	s.meet()
	for _, a := range s.acts {
		if d, ok := pupilOf(a.words); ok && a.concept == "st.preop-view" {
			s.eye.pupil = d
		}
	}
	return s
}

// bottle keeps the height in force against the usual one: 0.6 is a low bottle.
func (s *script) bottle(n annotate.Note, at float64) {
	usual := map[string]annotate.Quantity{}
	for _, q := range n.Fields["usual"].Quantities {
		usual[q.Parameter] = q
	}
	for _, q := range n.Fields["values"].Quantities {
		if change, ok := annotate.RelativeChange(q, usual[q.Parameter]); ok && q.Parameter == "p.bottle-height" {
			s.height = append(s.height, step{at, 1 + change})
		}
	}
}

// meet tells each stage which techniques fall into it, and counts repeats.
func (s *script) meet() {
	seen := map[string]int{}
	for i := range s.acts {
		a := &s.acts[i]
		a.n = seen[a.concept]
		seen[a.concept]++
		a.with = map[string]bool{}
		for _, b := range s.acts {
			if b.kind != "stage" && b.from < a.to && max(b.to, b.from+1) > a.from {
				a.with[b.concept] = true
			}
		}
	}
}

// has says whether any act carries one of the concepts.
func (s *script) has(concepts ...string) bool {
	return slices.ContainsFunc(s.acts, func(a act) bool { return slices.Contains(concepts, a.concept) })
}

var (
	pupilSays = regexp.MustCompile(`(?i)\bpupil\b[^;]{0,24}?(\d+(?:\.\d+)?) mm\b`)
	millis    = regexp.MustCompile(`(\d+(?:\.\d+)?) mm\b`)
)

// pupilOf finds the pupil's diameter in words: "Pupil 2.8 to 4.1 mm" is 4.1.
func pupilOf(words string) (float32, bool) {
	if m := pupilSays.FindStringSubmatch(words); m != nil {
		return number(m[1])
	}
	return 0, false
}

// millimetres finds the first length in words.
func millimetres(words string, otherwise float32) float32 {
	if m := millis.FindStringSubmatch(words); m != nil {
		if v, ok := number(m[1]); ok {
			return v
		}
	}
	return otherwise
}

func number(s string) (float32, bool) {
	v, err := strconv.ParseFloat(s, 32)
	return float32(v), err == nil && v > 0 && v < 20
}

// eyeOf reads the factors: what this eye is like before surgery.
func eyeOf(c annotate.Case) eye {
	e := eye{seed: seedOf(c.Title), left: c.Eye == "left", limbus: 5.8, pupil: 7.2,
		above: c.Procedure.Concept == "st.proc-sics" || c.Procedure.Concept == "st.proc-ecce"}
	for _, f := range c.Factors {
		e.factor(f)
	}
	if c.Procedure.Concept == "st.proc-paediatric" {
		e.child = true
	}
	return e
}

// lensKinds says which factor looks how; a later row wins over an earlier one.
var lensKinds = []struct {
	concept string
	kind    cataract
}{
	{"f.soft", soft}, {"f.uveitis", hazy}, {"f.nuclear", nuclear}, {"f.dense", brown}, {"f.brunescent", brown}, {"f.black", brown},
	{"f.white", white}, {"f.mature", white}, {"f.intumescent", white}, {"f.hypermature", white}, {"f.morgagnian", white},
	{"f.posterior-polar", polarRings}, {"f.congenital-cataract", lamellar},
}

func (e *eye) factor(f annotate.Factor) {
	id := f.Term.Concept
	for rank, k := range lensKinds {
		if k.concept == id && rank >= e.rank {
			e.kind, e.rank = k.kind, rank
		}
	}
	switch id {
	case "f.nanophthalmos", "f.ram":
		e.limbus, e.pupil, e.shallow = 5.0, 6.2, true
	case "f.small-pupil", "f.ifis", "f.miosis":
		if known := millimetres(f.Grade, 0); known > 0 {
			e.pupil = known
		} else if f.Known == "before" {
			e.pupil = min(e.pupil, 4)
		}
	case "f.posterior-synechiae":
		e.synech, e.vessels = true, true
		e.pupil = min(e.pupil, 3.4)
	case "f.corneal-opacity":
		e.scar = true
	case "f.fuchs-dystrophy":
		e.guttata = true
	case "f.no-red-reflex":
		e.dull = true
	case "f.shallow-ac":
		e.shallow = true
	case "f.iris-defect":
		e.notch = true
	case "f.phacodonesis", "f.zonular-weakness", "f.zonular-dialysis", "f.pxf":
		e.loose = true
	case "f.subluxated":
		e.loose, e.sublux = true, true
	case "f.high-myopia", "f.long-eye":
		e.myope = true
	}
}

// count reads a number word or digit before a noun: "Two hooks", "3 hooks".
func count(words string, otherwise int) int {
	for i, w := range []string{"one", "two", "three", "four", "five"} {
		for _, f := range strings.Fields(strings.ToLower(words)) {
			if f == w || f == strconv.Itoa(i+1) {
				return i + 1
			}
		}
	}
	return otherwise
}
