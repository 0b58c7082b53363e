package annotate

import (
	"fmt"
	"math"
	"strconv"
	"strings"
)

// Range is a closed interval of values in a parameter's own unit.
type Range struct{ Low, High float64 }

// Holds says whether v lies in r.
func (r Range) Holds(v float64) bool { return v >= r.Low && v <= r.High }

// Parameter is a machine or eye value that a setting can state. Values outside
// Soft are asked about; values outside Hard are refused: these limits stop
// typing errors, they are not clinical limits.
type Parameter struct {
	ID         string // concept of the vocabulary
	Label      string
	Unit       string // its own unit; "" for a bare figure
	Soft, Hard Range
}

// Parameters is the table of parameters. The limits are common practice (from
// memory), and physics where it sets one: a suction cannot exceed one
// atmosphere, 760 mmHg.
func Parameters() []Parameter { return parameters[:] }

var parameters = [...]Parameter{
	{"p.vacuum", "Vacuum limit", "mmHg", Range{0, 700}, Range{0, 760}},
	{"p.flow", "Aspiration flow", "mL/min", Range{5, 60}, Range{0, 100}},
	{"p.bottle-height", "Bottle height", "cm", Range{10, 150}, Range{0, 200}},
	{"p.target-iop", "Target IOP", "mmHg", Range{10, 110}, Range{0, 150}},
	{"p.us-power", "Ultrasound power", "%", Range{0, 100}, Range{0, 100}},
	{"p.longitudinal", "Longitudinal ultrasound", "%", Range{0, 100}, Range{0, 100}},
	{"p.torsional", "Torsional ultrasound", "%", Range{0, 100}, Range{0, 100}},
	{"p.transversal", "Transversal ultrasound", "%", Range{0, 100}, Range{0, 100}},
	{"p.avg-power", "Average power", "%", Range{0, 100}, Range{0, 100}},
	{"p.duty-cycle", "Duty cycle", "%", Range{0, 100}, Range{0, 100}},
	{"p.pulse", "Pulse rate", "pulses/s", Range{1, 250}, Range{0, 1000}},
	{"p.cut-rate", "Cut rate", "cuts/min", Range{50, 20000}, Range{0, 30000}},
	{"p.cde", "Cumulative dissipated energy", "", Range{0, 100}, Range{0, 300}},
	{"p.ept", "Effective phaco time", "s", Range{0, 600}, Range{0, 3600}},
	{"p.ust", "Ultrasound time", "s", Range{0, 600}, Range{0, 3600}},
	{"p.fluid-used", "Fluid used", "mL", Range{5, 500}, Range{0, 2000}},
}

// ParameterOf finds a parameter by its concept id.
func ParameterOf(id string) (Parameter, bool) {
	for _, p := range parameters {
		if p.ID == id {
			return p, true
		}
	}
	return Parameter{}, false
}

// unit is a row of the table of units: what one of it is worth in the base unit
// of its dimension.
type unit struct {
	name  string
	base  string
	worth float64
	also  []string
}

// Pressures: 1 mmHg = 133.322387415 Pa and 1 cmH2O = 98.0665 Pa, both
// conventional units (ISO 80000-4, annex; NIST SP 811, table B.8), so that
// 1 mmHg = 1.35951 cmH2O. A bottle's height in cm stands for its static head.
var units = [...]unit{
	{"mmHg", "Pa", 133.322387415, []string{"mm hg", "torr"}},
	{"cmH2O", "Pa", 98.0665, []string{"cm h2o", "cmh₂o"}},
	{"kPa", "Pa", 1000, nil},
	{"mL/min", "mL/min", 1, []string{"cc/min", "ml per minute", "cc per minute"}},
	{"%", "%", 1, []string{"percent", "per cent"}},
	{"cm", "m", 0.01, nil},
	{"mm", "m", 0.001, nil},
	{"s", "s", 1, []string{"sec", "secs", "second", "seconds"}},
	{"ms", "s", 0.001, nil},
	{"min", "s", 60, []string{"minute", "minutes"}},
	{"mL", "mL", 1, []string{"cc"}},
	{"pulses/s", "Hz", 1, []string{"pps", "hz"}},
	{"cuts/min", "cuts/min", 1, []string{"cpm"}},
	{"D", "D", 1, []string{"dioptre", "dioptres", "diopter", "diopters"}},
	{"cells/mm2", "cells/mm2", 1, []string{"cells/mm²"}},
	{"clock hours", "°", 30, []string{"clock hour"}},
	{"°", "°", 1, []string{"degree", "degrees", "deg"}},
}

// UnitOf gives the one spelling of a unit: "cc/min" is "mL/min".
func UnitOf(s string) (string, bool) {
	u, ok := findUnit(s)
	return u.name, ok
}

func findUnit(s string) (unit, bool) {
	s = strings.ToLower(strings.TrimSpace(s))
	for _, u := range units {
		if strings.ToLower(u.name) == s {
			return u, true
		}
		for _, a := range u.also {
			if a == s {
				return u, true
			}
		}
	}
	return unit{}, false
}

// Convert turns v of one unit into another of the same dimension.
func Convert(v float64, from, to string) (float64, error) {
	if from == to {
		return v, nil
	}
	f, ok1 := findUnit(from)
	t, ok2 := findUnit(to)
	// A bottle's height is quoted as the water column that it is.
	if ok1 && ok2 && f.base == "m" && t.base == "Pa" {
		f = unit{base: "Pa", worth: f.worth * 100 * 98.0665}
	} else if ok1 && ok2 && f.base == "Pa" && t.base == "m" {
		t = unit{base: "Pa", worth: t.worth * 100 * 98.0665}
	}
	if !ok1 || !ok2 || f.base != t.base {
		return 0, fmt.Errorf("%s cannot be turned into %s", from, to)
	}
	return v * f.worth / t.worth, nil
}

func isLength(name string) bool {
	u, ok := findUnit(name)
	return ok && u.base == "m"
}

// ParseQuantity reads "120 mmHg" or "60%" for a parameter and checks its unit
// and limits. A value outside the soft range comes back with a warning.
func ParseQuantity(p Parameter, text string) (q Quantity, warning string, err error) {
	text = strings.TrimSpace(text)
	i := strings.IndexFunc(text, func(r rune) bool { return !strings.ContainsRune("0123456789.-+", r) })
	number, unitText := text, ""
	if i >= 0 {
		number, unitText = text[:i], strings.TrimSpace(text[i:])
	}
	v, perr := strconv.ParseFloat(number, 64)
	if perr != nil || math.IsNaN(v) || math.IsInf(v, 0) {
		return q, "", fmt.Errorf("%q is not a value; write a number and a unit, as in %s", text, p.example())
	}
	name, ok := UnitOf(unitText)
	switch {
	case unitText == "" && p.Unit == "":
	case unitText == "":
		return q, "", fmt.Errorf("%q has no unit; %s is given in %s, as in %s", text, p.Label, p.Unit, p.example())
	case !ok:
		return q, "", fmt.Errorf("%q is not a unit known here; %s is given in %s", unitText, p.Label, p.unitSay())
	}
	q = Quantity{Parameter: p.ID, Value: v, Unit: name}
	warning, err = p.Check(q)
	return q, warning, err
}

func (p Parameter) example() string {
	return strings.TrimSpace(FormatNumber(math.Round((p.Soft.Low+p.Soft.High)/2)) + " " + p.Unit)
}

func (p Parameter) unitSay() string {
	if p.Unit == "" {
		return "a bare number"
	}
	return p.Unit
}

// Check holds q against the parameter's unit and limits.
func (p Parameter) Check(q Quantity) (warning string, err error) {
	v, err := Convert(q.Value, q.Unit, p.Unit)
	if err != nil || p.Unit == "mmHg" && isLength(q.Unit) { // "120 mm" is a slip, not a column of water
		return "", fmt.Errorf("%s is not a unit of %s; it is given in %s", q.Unit, p.Label, p.unitSay())
	}
	if !p.Hard.Holds(v) {
		return "", fmt.Errorf("%s cannot be %s; it lies between %s and %s", p.Label, q, FormatNumber(p.Hard.Low), strings.TrimSpace(FormatNumber(p.Hard.High)+" "+p.Unit))
	}
	if !p.Soft.Holds(v) {
		return fmt.Sprintf("%s of %s is unusual; is it meant?", p.Label, q), nil
	}
	return "", nil
}

// String writes "120 mmHg", "60 %".
func (q Quantity) String() string { return strings.TrimSpace(FormatNumber(q.Value) + " " + q.Unit) }

// FormatNumber writes v with no more digits than it has.
func FormatNumber(v float64) string { return strconv.FormatFloat(v, 'f', -1, 64) }

// RelativeChange is how far used lies from usual, as a fraction of usual:
// (used − usual) / usual, units converted first. 40 → 30 mL/min is −0.25.
// It is false where usual is zero or the units do not match.
func RelativeChange(used, usual Quantity) (float64, bool) {
	v, err := Convert(used.Value, used.Unit, usual.Unit)
	if err != nil || usual.Value == 0 {
		return 0, false
	}
	return (v - usual.Value) / usual.Value, true
}

// Step is one value in force on the case clock.
type Step struct {
	From, To Time     // To is where the next value of this parameter begins, or the case ends
	Note     string   // id of the note that says so
	Mode     string   // the sub-mode's words
	Used     Quantity //
	Usual    Quantity // Unit and value; zero Parameter where none was given
	Change   float64  // against Usual; only where Known
	Known    bool
}

// Course gives, for each parameter that the case's settings name, its values in
// order: the stepped line of a chart and the rows of its table.
func (c *Case) Course() map[string][]Step {
	out := map[string][]Step{}
	for _, n := range c.OfKind("setting") {
		usual := map[string]Quantity{}
		for _, q := range n.Fields["usual"].Quantities {
			usual[q.Parameter] = q
		}
		for _, q := range n.Fields["values"].Quantities {
			s := Step{From: n.Span.From, To: c.Length(), Note: n.ID, Mode: n.Fields["mode"].Text, Used: q, Usual: usual[q.Parameter]}
			if s.Usual.Parameter != "" {
				s.Change, s.Known = RelativeChange(q, s.Usual)
			}
			steps := out[q.Parameter]
			if len(steps) > 0 {
				steps[len(steps)-1].To = s.From
			}
			out[q.Parameter] = append(steps, s)
		}
	}
	return out
}
