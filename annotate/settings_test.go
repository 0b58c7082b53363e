package annotate

import (
	"math"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

func parameter(t *testing.T, id string) Parameter {
	t.Helper()
	p, ok := ParameterOf(id)
	if !ok {
		t.Fatalf("no parameter %s", id)
	}
	return p
}

// Factors: conventional units of ISO 80000-4 and NIST Special Publication 811,
// table B.8 (1 mmHg = 133.3224 Pa, 1 cmH2O = 98.0665 Pa); the heads of water
// follow from them.
func TestConvert(t *testing.T) {
	for _, tt := range []struct {
		v        float64
		from, to string
		want     float64
		digits   float64
	}{
		{1, "mmHg", "cmH2O", 1.35951, 1e-5},
		{1, "cmH2O", "mmHg", 0.735559, 1e-6},
		{1, "kPa", "mmHg", 7.50062, 1e-5},
		{1, "torr", "mmHg", 1, 0},
		{1, "cc/min", "mL/min", 1, 0},
		{1, "cc", "mL", 1, 0},
		{1, "clock hour", "degrees", 30, 0},
		{1.5, "min", "s", 90, 0},
		{30, "cm", "mmHg", 22.1, 0.05},
		{65, "cm", "mmHg", 47.8, 0.05},
		{110, "cm", "mmHg", 80.9, 0.05},
		{28, "mmHg", "cm", 38.1, 0.05},
		{80, "mmHg", "cm", 108.8, 0.05},
		{2.4, "mm", "cm", 0.24, 1e-12},
	} {
		got, err := Convert(tt.v, tt.from, tt.to)
		if err != nil || math.Abs(got-tt.want) > tt.digits {
			t.Errorf("%v %s = %v %s, %v; want %v", tt.v, tt.from, got, tt.to, err, tt.want)
		}
		if back, err := Convert(got, tt.to, tt.from); err != nil || math.Abs(back-tt.v) > 1e-9 {
			t.Errorf("%v %s there and back = %v, %v", tt.v, tt.from, back, err)
		}
	}
	for _, pair := range [][2]string{{"mmHg", "mL"}, {"%", "mmHg"}, {"furlong", "cm"}, {"cm", ""}, {"s", "m/s"}} {
		if got, err := Convert(1, pair[0], pair[1]); err == nil {
			t.Errorf("1 %s = %v %s, want an error", pair[0], got, pair[1])
		}
	}
}

func TestUnitsAreOneSpellingEach(t *testing.T) {
	owner := map[string]string{}
	for _, u := range units {
		if got, ok := UnitOf(u.name); !ok || got != u.name {
			t.Errorf("UnitOf(%q) = %q, %v", u.name, got, ok)
		}
		for _, s := range append([]string{u.name}, u.also...) {
			key := strings.ToLower(s)
			if owner[key] != "" {
				t.Errorf("%q is %s and %s", s, owner[key], u.name)
			}
			owner[key] = u.name
		}
		for _, a := range u.also {
			if got, _ := UnitOf(strings.ToUpper(a)); got != u.name {
				t.Errorf("UnitOf(%q) = %q, want %q", strings.ToUpper(a), got, u.name)
			}
		}
	}
}

func TestParameterTable(t *testing.T) {
	seen := map[string]bool{}
	for _, p := range Parameters() {
		if seen[p.ID] || p.Label == "" || !strings.HasPrefix(p.ID, "p.") {
			t.Errorf("row %+v", p)
		}
		seen[p.ID] = true
		if _, ok := UnitOf(p.Unit); p.Unit != "" && !ok {
			t.Errorf("%s has the unknown unit %q", p.ID, p.Unit)
		}
		if p.Hard.Low > p.Soft.Low || p.Soft.Low >= p.Soft.High || p.Soft.High > p.Hard.High {
			t.Errorf("%s: soft %v does not lie in hard %v", p.ID, p.Soft, p.Hard)
		}
		if q, w, err := ParseQuantity(p, p.example()); err != nil || w != "" {
			t.Errorf("the example %q of %s = %v, %q, %v", p.example(), p.ID, q, w, err)
		}
	}
}

func TestParseQuantity(t *testing.T) {
	for _, tt := range []struct {
		parameter, text, want, warning, err string
	}{
		{"p.vacuum", "120 mmHg", "120 mmHg", "", ""},
		{"p.vacuum", " 120mmhg ", "120 mmHg", "", ""},
		{"p.vacuum", "0 mmHg", "0 mmHg", "", ""},
		{"p.vacuum", "760 mmHg", "760 mmHg", "unusual", ""}, // one atmosphere
		{"p.vacuum", "761 mmHg", "", "", "between 0 and 760 mmHg"},
		{"p.vacuum", "-1 mmHg", "", "", "between 0 and 760 mmHg"},
		{"p.vacuum", "40 kPa", "40 kPa", "", ""},
		{"p.vacuum", "120", "", "", "no unit"},
		{"p.vacuum", "120 mL/min", "", "", "mL/min is not a unit of Vacuum limit"},
		{"p.vacuum", "120 mm", "", "", "mm is not a unit of Vacuum limit"},
		{"p.vacuum", "120 bananas", "", "", "not a unit known here"},
		{"p.vacuum", "mmHg", "", "", "not a value"},
		{"p.vacuum", "1,000 mmHg", "", "", "not a unit known here"},
		{"p.vacuum", "100-200 mmHg", "", "", "not a value"},
		{"p.vacuum", "NaN mmHg", "", "", "not a value"},
		{"p.vacuum", "", "", "", "not a value"},
		{"p.flow", "28 cc/min", "28 mL/min", "", ""},
		{"p.flow", "61 mL/min", "61 mL/min", "unusual", ""},
		{"p.flow", "101 mL/min", "", "", "between 0 and 100 mL/min"},
		{"p.bottle-height", "90 cm", "90 cm", "", ""},
		{"p.bottle-height", "90 cmH2O", "90 cmH2O", "", ""},
		{"p.bottle-height", "201 cm", "", "", "between 0 and 200 cm"},
		{"p.target-iop", "60 mmHg", "60 mmHg", "", ""},
		{"p.target-iop", "82 cm", "", "", "cm is not a unit of Target IOP"},
		{"p.us-power", "60%", "60 %", "", ""},
		{"p.us-power", "60 per cent", "60 %", "", ""},
		{"p.us-power", "101 %", "", "", "between 0 and 100 %"},
		{"p.cde", "7.25", "7.25", "", ""},
		{"p.cde", "7 %", "", "", "a bare number"},
		{"p.ust", "1.5 min", "1.5 min", "", ""},
		{"p.cut-rate", "4000 cpm", "4000 cuts/min", "", ""},
		{"p.fluid-used", "3 mL", "3 mL", "unusual", ""},
	} {
		t.Run(tt.parameter+" "+tt.text, func(t *testing.T) {
			q, warning, err := ParseQuantity(parameter(t, tt.parameter), tt.text)
			if tt.err != "" {
				if err == nil || !strings.Contains(err.Error(), tt.err) {
					t.Errorf("= %v, %v; want an error with %q", q, err, tt.err)
				}
				return
			}
			if err != nil || q.String() != tt.want || q.Parameter != tt.parameter || (tt.warning == "") != (warning == "") || !strings.Contains(warning, tt.warning) {
				t.Errorf("= %v, %q, %v; want %v, %q", q, warning, err, tt.want, tt.warning)
			}
		})
	}
}

func FuzzParseQuantity(f *testing.F) {
	for _, s := range []string{"120 mmHg", "60%", "7.25", "+5 cm", "1e9 kPa", "-0 mL/min", "90 cm h2o"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, text string) {
		for _, p := range Parameters() {
			q, _, err := ParseQuantity(p, text)
			if err != nil {
				continue
			}
			v, err := Convert(q.Value, q.Unit, p.Unit)
			if err != nil || !p.Hard.Holds(v) {
				t.Fatalf("%s: %q = %v, which is %v %s, %v", p.ID, text, q, v, p.Unit, err)
			}
			if again, _, err := ParseQuantity(p, q.String()); err != nil || again != q {
				t.Errorf("%s: %q = %v, and that is read as %v, %v", p.ID, text, q, again, err)
			}
		}
	})
}

// The two worked changes are the arithmetic of common practice, (used − usual) / usual.
func TestRelativeChange(t *testing.T) {
	q := func(v float64, u string) Quantity { return Quantity{Value: v, Unit: u} }
	for _, tt := range []struct {
		used, usual Quantity
		want        float64
		known       bool
	}{
		{q(30, "mL/min"), q(40, "mL/min"), -0.25, true},
		{q(500, "mmHg"), q(600, "mmHg"), -1.0 / 6, true}, // −16.7 %
		{q(30, "cc/min"), q(30, "mL/min"), 0, true},
		{q(60, "%"), q(40, "%"), 0.5, true},
		{q(1.35951, "cmH2O"), q(1, "mmHg"), 0, true},
		{q(5, "mmHg"), q(0, "mmHg"), 0, false},
		{q(5, "mmHg"), q(5, "mL"), 0, false},
	} {
		got, known := RelativeChange(tt.used, tt.usual)
		if known != tt.known || math.Abs(got-tt.want) > 1e-5 {
			t.Errorf("%v against %v = %v, %v; want %v, %v", tt.used, tt.usual, got, known, tt.want, tt.known)
		}
	}
}

func TestCourse(t *testing.T) {
	setting := func(id string, at Time, mode string, values, usual []Quantity) Note {
		return Note{ID: id, Kind: "setting", Span: At(at), State: Inked,
			Fields: map[string]Fact{"mode": {Text: mode}, "values": {Quantities: values}, "usual": {Quantities: usual}}}
	}
	vac := func(v float64) Quantity { return Quantity{"p.vacuum", v, "mmHg"} }
	flow := func(v float64) Quantity { return Quantity{"p.flow", v, "mL/min"} }
	c := Case{Recordings: []Recording{{ID: "r1", Film: Film{Duration: 600 * Second}}}, Notes: []Note{
		setting("a", 60*Second, "sculpt", []Quantity{vac(60), flow(30)}, []Quantity{flow(40)}),
		setting("b", 180*Second, "epinucleus", []Quantity{vac(500)}, []Quantity{vac(600)}),
	}}
	got := c.Course()
	want := map[string][]Step{
		"p.vacuum": {{From: 60 * Second, To: 180 * Second, Note: "a", Mode: "sculpt", Used: vac(60)},
			{From: 180 * Second, To: 600 * Second, Note: "b", Mode: "epinucleus", Used: vac(500), Usual: vac(600), Change: -100.0 / 600, Known: true}},
		"p.flow": {{From: 60 * Second, To: 600 * Second, Note: "a", Mode: "sculpt", Used: flow(30), Usual: flow(40), Change: -0.25, Known: true}},
	}
	if d := cmp.Diff(want, got); d != "" {
		t.Errorf("Course (-want +got):\n%s", d)
	}
	if got := (&Case{}).Course(); len(got) != 0 {
		t.Errorf("the course of nothing is %v", got)
	}
}
