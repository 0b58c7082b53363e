package sample_test

import (
	"encoding/csv"
	"io/fs"
	"regexp"
	"slices"
	"strings"
	"testing"

	"sideport/annotate"
	"sideport/annotate/casefile"
	"sideport/annotate/terms"
	"sideport/sample"
)

// read parses one case as `sideport add` would.
func read(t testing.TB, c sample.Case) *casefile.Doc {
	t.Helper()
	v, err := terms.Load("cataract")
	if err != nil {
		t.Fatal(err)
	}
	raw, err := fs.ReadFile(c.Files, "case.yaml")
	if err != nil {
		t.Fatal(err)
	}
	d, err := casefile.Parse(c.Name+"/case.yaml", raw, v)
	if err != nil {
		t.Fatal(err)
	}
	for i := range d.Case.Recordings {
		d.Case.Recordings[i].Film.Duration = c.Length
	}
	return d
}

func named(t testing.TB, name string) (sample.Case, annotate.Case) {
	t.Helper()
	for _, c := range sample.Cases() {
		if c.Name == name {
			return c, read(t, c).Case
		}
	}
	t.Fatalf("there is no case %q", name)
	return sample.Case{}, annotate.Case{}
}

func TestEveryCaseIsWhole(t *testing.T) {
	if got := len(sample.Cases()); got != 12 {
		t.Fatalf("%d cases, want 12", got)
	}
	for _, c := range sample.Cases() {
		t.Run(c.Name, func(t *testing.T) {
			d := read(t, c)
			for _, p := range d.Problems {
				t.Errorf("line %d: %s", p.Line, p.Say)
			}
			for _, p := range d.Case.Check() { // again, with the length of the film known
				t.Errorf("%s: %s", p.Path, p.Say)
			}
			for path, term := range d.Case.Terms {
				if term.Unknown() {
					t.Errorf("%s: %q is not in the vocabulary", path, term.Words)
				}
			}
			enough(t, d.Case)
			for _, n := range d.Case.OfKind("stage") {
				if id := n.Term.Concept; id != "" && !sample.Moves(id) {
					t.Errorf("stage %s at %v is not drawn", id, n.Span.From)
				}
			}
		})
	}
}

// enough holds a case against what a teaching case should have.
func enough(t *testing.T, c annotate.Case) {
	t.Helper()
	for _, w := range []struct {
		kind     string
		low, top int
	}{{"stage", 8, 15}, {"technique", 4, 11}, {"setting", 2, 6}, {"decision", 1, 3}, {"teaching-point", 3, 5}} {
		if got := len(c.OfKind(w.kind)); got < w.low || got > w.top {
			t.Errorf("%d notes of kind %s, want %d to %d", got, w.kind, w.low, w.top)
		}
	}
	for _, n := range c.OfKind("setting") {
		if len(n.Fields["usual"].Quantities) == 0 {
			t.Errorf("the setting at %v has no usual values", n.Span.From)
		}
	}
	if c.Hindsight == "" || len(c.Plan) == 0 || len(c.Outcome) < 2 || len(c.Stills) < 2 || c.Summary == "" {
		t.Error("hindsight, plan, outcome, stills or summary is missing")
	}
}

func TestWhatTheCasesSay(t *testing.T) {
	type fact struct {
		name, kind, concept string
		at                  annotate.Time
		says                string
	}
	min := func(m, s annotate.Time) annotate.Time { return (m*60 + s) * annotate.Second }
	for _, f := range []fact{
		{"intumescent-white", "technique", "t.capsule-decompression", min(1, 20), "30-gauge"},
		{"intumescent-white", "decision", "t.rhexis-enlargement", min(3, 5), ""},
		{"posterior-polar", "technique", "t.inside-out", min(2, 20), "golden ring"},
		{"floppy-iris-ring", "decision", "d.pupil-ring", min(1, 30), ""},
		{"floppy-iris-ring", "complication", "c.iris-billowing", min(6, 5), "no prolapse"},
		{"brunescent-leathery-plate", "technique", "t.multilevel-chop", min(4, 50), "second level"},
		{"brunescent-leathery-plate", "complication", "c.wound-burn", min(8, 20), ""},
		{"vitrectomised-myope", "complication", "c.lidrs", min(1, 0), ""},
		{"traumatic-subluxation", "stage", "st.anterior-vitrectomy", min(0, 30), ""},
		{"nanophthalmos", "complication", "c.fluid-misdirection", min(6, 20), ""},
		{"uveitic-only-eye", "decision", "t.viscomydriasis", min(3, 25), ""},
		{"corneal-scar", "decision", "t.illumination-assist", min(5, 5), ""},
		{"lamellar-child", "decision", "t.rhexis-rescue", min(1, 25), ""},
		{"loose-bag-rupture", "technique", "t.horizontal-chop", min(3, 50), ""},
		{"loose-bag-rupture", "decision", "t.fill-before-withdraw", min(7, 24), ""},
		{"loose-bag-rupture", "complication", "c.pcr", min(7, 20), ""},
		{"outreach-sandwich", "decision", "t.sandwich", min(7, 0), ""},
	} {
		t.Run(f.name+" "+f.concept, func(t *testing.T) {
			_, c := named(t, f.name)
			if !slices.ContainsFunc(c.Notes, func(n annotate.Note) bool {
				return n.Kind == f.kind && n.Term.Concept == f.concept && n.Span.From == f.at && strings.Contains(n.Words, f.says)
			}) {
				t.Errorf("no %s of %s at %v that says %q", f.kind, f.concept, f.at, f.says)
			}
		})
	}
}

func TestSettings(t *testing.T) {
	for _, w := range []struct {
		name, parameter string
		at              float64
		value           float64
	}{
		{"intumescent-white", "p.vacuum", 245, 380}, {"intumescent-white", "p.flow", 245, 30}, {"intumescent-white", "p.bottle-height", 245, 95}, {"intumescent-white", "p.torsional", 245, 70},
		{"posterior-polar", "p.vacuum", 180, 120}, {"posterior-polar", "p.flow", 180, 18}, {"posterior-polar", "p.bottle-height", 180, 55},
		{"brunescent-leathery-plate", "p.cde", 590, 31}, {"vitrectomised-myope", "p.bottle-height", 90, 55},
		{"traumatic-subluxation", "p.cut-rate", 55, 2500}, {"loose-bag-rupture", "p.vacuum", 230, 350}, {"loose-bag-rupture", "p.cut-rate", 490, 3000},
	} {
		_, c := named(t, w.name)
		steps := c.Course()[w.parameter]
		i := slices.IndexFunc(steps, func(s annotate.Step) bool { return s.From == annotate.FromSeconds(w.at) })
		if i < 0 || steps[i].Used.Value != w.value || !steps[i].Known {
			t.Errorf("%s: %s at %v s is not %v with a usual value: %+v", w.name, w.parameter, w.at, w.value, steps)
		}
	}
}

func TestConsentAndStatus(t *testing.T) {
	audiences := map[string]annotate.Audience{
		"intumescent-white": annotate.Public, "posterior-polar": annotate.Professionals, "floppy-iris-ring": annotate.OwnUnit,
		"brunescent-leathery-plate": annotate.Professionals, "vitrectomised-myope": annotate.Public, "traumatic-subluxation": annotate.Professionals,
		"nanophthalmos": annotate.OwnUnit, "uveitic-only-eye": annotate.Nobody, "corneal-scar": annotate.Public,
		"lamellar-child": annotate.Professionals, "loose-bag-rupture": annotate.OwnUnit, "outreach-sandwich": annotate.Professionals,
	}
	statuses := map[annotate.Status]int{}
	for _, c := range sample.Cases() {
		d := read(t, c).Case
		if got, want := d.Consent.Audience, audiences[c.Name]; got != want {
			t.Errorf("%s: audience %v, want %v", c.Name, got, want)
		}
		if got, want := d.Consent.Withdrawn != "", c.Name == "outreach-sandwich"; got != want {
			t.Errorf("%s: withdrawn %v, want %v", c.Name, got, want)
		}
		statuses[d.Status]++
	}
	if statuses[annotate.Draft] != 1 || statuses[annotate.InReview] != 1 || statuses[annotate.Published] != 10 {
		t.Errorf("statuses are %v, want one draft, one in review, ten published", statuses)
	}
}

var cue = regexp.MustCompile(`(?m)^(\d\d:\d\d:\d\d\.\d{3}) --> (\d\d:\d\d:\d\d\.\d{3})\n((?:.+\n?)+)`)

func TestNarrations(t *testing.T) {
	for _, c := range sample.Cases() {
		t.Run(c.Name, func(t *testing.T) {
			raw, err := fs.ReadFile(c.Files, "narration.vtt")
			if err != nil {
				t.Fatal(err)
			}
			if !strings.HasPrefix(string(raw), "WEBVTT\n") {
				t.Error("the file does not begin as WebVTT")
			}
			cues := cue.FindAllStringSubmatch(string(raw), -1)
			if len(cues) < 25 || len(cues) > 60 || strings.Count(string(raw), "-->") != len(cues) {
				t.Errorf("%d cues can be read of %d", len(cues), strings.Count(string(raw), "-->"))
			}
			last := annotate.Time(0)
			for _, m := range cues {
				from, err1 := annotate.ParseTime(m[1])
				to, err2 := annotate.ParseTime(m[2])
				text := strings.TrimSpace(m[3])
				if err1 != nil || err2 != nil || from < last || to <= from || to > c.Length {
					t.Errorf("%s --> %s is out of order or beyond the film", m[1], m[2])
				}
				if speed := float64(len([]rune(text))) / (to - from).Seconds(); speed > 17 {
					t.Errorf("%s: %.1f characters a second: %q", m[1], speed, text)
				}
				for line := range strings.Lines(text) {
					if len([]rune(line)) > 56 {
						t.Errorf("%s: a line of %d characters", m[1], len([]rune(line)))
					}
				}
				last = to
			}
		})
	}
}

func TestQueriesHaveTheirAnswer(t *testing.T) {
	r := csv.NewReader(strings.NewReader(string(sample.Queries())))
	r.Comma, r.LazyQuotes = '\t', true
	rows, err := r.ReadAll()
	if err != nil || len(rows) < 21 {
		t.Fatalf("%d rows: %v", len(rows), err)
	}
	for _, row := range rows[1:] {
		_, c := named(t, row[1])
		at, err := annotate.ParseTime(row[3])
		if err != nil {
			t.Fatal(err)
		}
		if !slices.ContainsFunc(c.Notes, func(n annotate.Note) bool { return n.Term.Concept == row[2] && n.Span.From == at }) {
			t.Errorf("%q: %s has no note of %s at %s", row[0], row[1], row[2], row[3])
		}
	}
}

// The films are drawings, so most may be seen at once; two show the cover.
func TestSomeFilmsAreCovered(t *testing.T) {
	covered := 0
	for _, s := range sample.Cases() {
		data, err := fs.ReadFile(s.Files, "case.yaml")
		if err != nil {
			t.Fatal(err)
		}
		if strings.Contains(string(data), "\ndiscretion: true") {
			covered++
		}
	}
	if covered != 2 {
		t.Errorf("%d sample films are covered, want 2", covered)
	}
}
