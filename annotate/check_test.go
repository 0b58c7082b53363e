package annotate

import (
	"slices"
	"strings"
	"testing"
)

// good is a case in which every kind of thing occurs and nothing is wrong.
func good() Case {
	film := Film{Container: "mp4", Duration: 600 * Second, Rate: Rate{25, 1}, Width: 1920, Height: 1080, VideoCodec: "h264", Size: 1}
	note := func(id, kind string, from, to Time) Note {
		return Note{ID: id, Kind: kind, Recording: "r1", Span: Span{from * Second, to * Second}, State: Inked}
	}
	n := []Note{note("n0", "stage", 10, 60), note("n1", "setting", 20, 20), note("n2", "technique", 30, 40), note("n3", "stage", 60, 90),
		note("n4", "decision", 70, 70), note("n5", "teaching-point", 80, 80), note("n6", "stage", 100, 120)}
	n[0].Term, n[3].Term, n[6].Term = Term{Concept: "s.a"}, Term{Concept: "s.b"}, Term{Words: "something new"}
	n[1].Fields = map[string]Fact{"values": {Quantities: []Quantity{{"p.vacuum", 120, "mmHg"}}}}
	n[2].Words, n[5].Words = "inside out", "Stop before the rim."
	n[4].Fields = map[string]Fact{"to": {Text: "dry aspiration"}}
	return Case{ID: "c1", Title: "Posterior polar", Specialty: "cataract", Eye: "right", Surgeon: "fellow", Patient: Patient{"40-49", "female"},
		Factors:    []Factor{{Term: Term{Concept: "f.polar"}, Known: "before"}},
		Plan:       []Plan{{Challenge: Term{Words: "rupture"}, Strategy: "slow", StandBy: []Term{{Concept: "d.lens"}}}},
		Recordings: []Recording{{ID: "r1", Film: film}, {ID: "r2", Offset: 100 * Second, Film: film}},
		Stills:     []Still{{ID: "s1", When: "day 1"}}, Notes: n, Outcome: []Outcome{{When: "day 1", VisualAcuity: "6/9", IOP: "14 mmHg"}},
		Consent: Consent{Audience: Professionals, Obtained: "2026-03-01"}, Status: Published}
}

func TestCheckGood(t *testing.T) {
	c := good()
	if got := c.Check(); len(got) > 0 {
		t.Errorf("problems with a good case: %v", got)
	}
}

func TestCheck(t *testing.T) {
	long := strings.Repeat("é", MaxWords+1)
	for _, tt := range []struct {
		name   string
		break_ func(c *Case)
		want   string // the start of the one problem, "~" before it for a warning
	}{
		{"no title", func(c *Case) { c.Title = " " }, "title: a case needs a title"},
		{"long title", func(c *Case) { c.Title = strings.Repeat("x", MaxTitle+1) }, "title: 201 characters are more than the 200"},
		{"long summary", func(c *Case) { c.Summary = long }, "summary: 5001 characters"},
		{"longest summary", func(c *Case) { c.Summary = long[:len(long)-2] }, ""},
		{"control character", func(c *Case) { c.Hindsight = "a\x1bb" }, "hindsight: the text holds a control"},
		{"line break and tab", func(c *Case) { c.Hindsight = "a\n\tb" }, ""},
		{"not UTF-8", func(c *Case) { c.Summary = "a\xff" }, "summary: the text holds a control"},
		{"specialty", func(c *Case) { c.Specialty = "retina" }, `specialty: "retina" is not known here; it is one of cataract`},
		{"eye", func(c *Case) { c.Eye = "both" }, `eye: "both" is not known here; it is one of right, left`},
		{"surgeon's name", func(c *Case) { c.Surgeon = "A. Person" }, "surgeon: "},
		{"exact age", func(c *Case) { c.Patient.AgeBand = "43" }, "patient.age_band: "},
		{"sex", func(c *Case) { c.Patient.Sex = "f" }, "patient.sex: "},
		{"status", func(c *Case) { c.Status = "done" }, "status: "},
		{"consent without a day", func(c *Case) { c.Consent.Obtained = "" }, "consent.obtained: consent for professionals needs the day"},
		{"consent day", func(c *Case) { c.Consent.Obtained = "1/3/2026" }, `consent.obtained: "1/3/2026" is not a day`},
		{"a day that is not", func(c *Case) { c.Consent.Obtained = "2026-02-30" }, `consent.obtained: "2026-02-30" is not a day`},
		{"withdrawn day", func(c *Case) { c.Consent.Withdrawn = "yesterday" }, "consent.withdrawn: "},
		{"factor without concept", func(c *Case) { c.Factors[0].Term = Term{} }, "factors[0].concept: a factor needs a concept"},
		{"factor known", func(c *Case) { c.Factors[0].Known = "after" }, "factors[0].known: "},
		{"factor grade", func(c *Case) { c.Factors[0].Grade = long }, "factors[0].grade: "},
		{"too many factors", func(c *Case) { c.Factors = slices.Repeat(c.Factors, MaxItems+1) }, "factors: 201 entries are more than the 200"},
		{"empty plan line", func(c *Case) { c.Plan[0] = Plan{} }, "plan[0]: a line of the plan needs"},
		{"plan strategy", func(c *Case) { c.Plan[0].Strategy = long }, "plan[0].strategy: "},
		{"stand-by", func(c *Case) { c.Plan[0].StandBy[0].Words = long }, "plan[0].stand_by[0]: "},
		{"too much stand-by", func(c *Case) { c.Plan[0].StandBy = slices.Repeat(c.Plan[0].StandBy, MaxItems+1) }, "plan[0].stand_by: 201 entries"},
		{"visit without when", func(c *Case) { c.Outcome[0].When = "" }, "outcome[0].when: a visit needs a when"},
		{"visit on a date", func(c *Case) { c.Outcome[0].When = "on 2026-03-02" }, "outcome[0].when: "},
		{"pressure without unit", func(c *Case) { c.Outcome[0].IOP = "14" }, "outcome[0].iop: \"14\" has no unit"},
		{"pressure in mm", func(c *Case) { c.Outcome[0].IOP = "14 mm" }, "outcome[0].iop: mm is not a unit"},
		{"pressure unusual", func(c *Case) { c.Outcome[0].IOP = "70 mmHg" }, "~outcome[0].iop: Intraocular pressure of 70 mmHg is unusual"},
		{"pressure impossible", func(c *Case) { c.Outcome[0].IOP = "140 mmHg" }, "outcome[0].iop: "},
		{"recording role", func(c *Case) { c.Recordings[0].Role = long }, "recordings[0].role: "},
		{"recording offset", func(c *Case) { c.Recordings[1].Offset = MaxTime + 1 }, "recordings[1].offset: "},
		{"recording twice", func(c *Case) { c.Recordings[1].ID = "r1" }, `recordings[1].id: the id "r1" is taken`},
		{"too many recordings", func(c *Case) {
			for len(c.Recordings) <= MaxRecordings {
				c.Recordings = append(c.Recordings, Recording{})
			}
		}, "recordings: 21 entries"},
		{"still on a date", func(c *Case) { c.Stills[0].When = "3.4.26" }, "stills[0].when: "},
		{"still words", func(c *Case) { c.Stills[0].Words = long }, "stills[0].words: "},
		{"too many stills", func(c *Case) { c.Stills = slices.Repeat(c.Stills, MaxStills+1) }, "stills: 101 entries"},
		{"kind", func(c *Case) { c.Notes[2].Kind = "thought" }, `notes[2].kind: "thought" is not a kind of note; it is one of stage, technique`},
		{"note twice", func(c *Case) { c.Notes[2].ID = "n1" }, `notes[2].id: the id "n1" is taken`},
		{"ids not given yet", func(c *Case) { c.Notes[2].ID, c.Notes[3].ID = "", "" }, ""},
		{"ends before it begins", func(c *Case) { c.Notes[2].Span.To = Second }, "notes[2].to: the note ends at 00:01, before it begins at 00:30"},
		{"a stage without length", func(c *Case) { c.Notes[0].Span.To = 10 * Second }, "notes[0].to: a stage needs an end after 00:10"},
		{"a setting with two times", func(c *Case) { c.Notes[1].Span.To = 21 * Second }, "notes[1].to: a setting has one time"},
		{"recording unknown", func(c *Case) { c.Notes[2].Recording = "r9" }, `notes[2].recording: there is no recording "r9"`},
		{"recording left out is the first", func(c *Case) { c.Notes[2].Recording = "" }, ""},
		{"before the film", func(c *Case) { c.Notes[2].Recording = "r2" }, "notes[2].from: 00:30 is before the film begins, at 01:40 on the case clock"},
		{"instant before the film", func(c *Case) { c.Notes[4].Recording = "r2" }, "notes[4].at: 01:10 is before the film begins"},
		{"begins after the film", func(c *Case) { c.Notes[6].Span = Span{601 * Second, 601*Second + 1} }, "notes[6].from: 10:01 is after the end of the film, which lasts until 10:00"},
		{"ends after the film", func(c *Case) { c.Notes[6].Span.To = 602 * Second }, "notes[6].to: 10:02 is after the end"},
		{"ends with the film's last frame", func(c *Case) { c.Notes[6].Span.To = 601 * Second }, ""},
		{"before zero, length unknown", func(c *Case) { c.Recordings[0].Film.Duration, c.Notes[2].Span.From = 0, -1 }, "notes[2].from: -00:00.000001 is before the film begins"},
		{"no recordings yet", func(c *Case) { c.Recordings = nil }, ""},
		{"note words", func(c *Case) { c.Notes[2].Words = long }, "notes[2].words: 5001"},
		{"concept's words", func(c *Case) { c.Notes[6].Term.Words = long }, "notes[6].concept: 5001"},
		{"a setting with a concept", func(c *Case) { c.Notes[1].Term.Concept = "t.x" }, "notes[1].concept: a setting has no concept"},
		{"a stage of nothing", func(c *Case) { c.Notes[0].Term = Term{} }, "notes[0]: a stage needs a concept or words"},
		{"a stage of words", func(c *Case) { c.Notes[0].Term, c.Notes[0].Words = Term{}, "prelude" }, ""},
		{"a teaching point without words", func(c *Case) { c.Notes[5].Words = " " }, "notes[5].words: a teaching point needs words"},
		{"state", func(c *Case) { c.Notes[2].State = "" }, `notes[2].state: "" is not a state`},
		{"field unknown", func(c *Case) { c.Notes[2].Fields = map[string]Fact{"sign": {Text: "x"}} }, `notes[2].sign: a technique has no field "sign"`},
		{"field text", func(c *Case) { c.Notes[4].Fields["because"] = Fact{Text: long} }, "notes[4].because: 5001"},
		{"field needed", func(c *Case) { c.Notes[4].Fields = nil }, `notes[4].to: a decision needs "to"`},
		{"values as words", func(c *Case) { c.Notes[1].Fields["values"] = Fact{Text: "rather high"} }, `notes[1].values: "values" holds parameters with values and units and nothing else`},
		{"a concept in a text", func(c *Case) { c.Notes[4].Fields["sign"] = Fact{Concept: "f.x"} }, `notes[4].sign: "sign seen" holds words and nothing else`},
		{"values in a mode", func(c *Case) { c.Notes[1].Fields["mode"] = c.Notes[1].Fields["values"] }, `notes[1].mode: "sub-mode" holds words or a concept`},
		{"a mode of concept and words", func(c *Case) { c.Notes[1].Fields["mode"] = Fact{Concept: "m.chop", Text: "chop"} }, ""},
		{"values needed", func(c *Case) { c.Notes[1].Fields["values"] = Fact{} }, `notes[1].values: a setting needs "values"`},
		{"parameter unknown", func(c *Case) { c.Notes[1].Fields["values"].Quantities[0].Parameter = "p.x" }, `notes[1].values: "p.x" is not a parameter`},
		{"value impossible", func(c *Case) { c.Notes[1].Fields["values"].Quantities[0].Value = 761 }, "notes[1].values: Vacuum limit cannot be 761 mmHg"},
		{"value unusual", func(c *Case) { c.Notes[1].Fields["values"].Quantities[0].Value = 710 }, "~notes[1].values: Vacuum limit of 710 mmHg is unusual"},
		{"value's unit", func(c *Case) { c.Notes[1].Fields["values"].Quantities[0].Unit = "s" }, "notes[1].values: s is not a unit"},
		{"stages overlap", func(c *Case) { c.Notes[3].Span.From = 59 * Second }, "notes[3].from: this stage begins at 00:59, before the one from 00:10 to 01:00 ends"},
		{"stages overlap by recording alone", func(c *Case) { c.Notes[6].Recording, c.Notes[3].Span.To = "r2", 110*Second }, ""},
		{"the first recording by name and by none", func(c *Case) { c.Notes[3].Recording, c.Notes[3].Span.From = "", 59*Second }, "notes[3].from: this stage begins"},
		{"pencilled stages may overlap", func(c *Case) { c.Notes[3].Span.From, c.Notes[3].State = 59*Second, Pencilled }, ""},
		{"too many notes", func(c *Case) {
			for len(c.Notes) <= MaxNotes {
				n := c.Notes[2]
				n.ID = ""
				c.Notes = append(c.Notes, n)
			}
		}, "notes: 5001 entries"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			c := good()
			tt.break_(&c)
			got := c.Check()
			if tt.want == "" {
				if len(got) > 0 {
					t.Errorf("problems: %v", got)
				}
				return
			}
			want, warning := strings.CutPrefix(tt.want, "~")
			if len(got) != 1 || !strings.HasPrefix(got[0].String(), want) || got[0].Warning != warning {
				t.Errorf("problems %v, want the one %q", got, tt.want)
			}
		})
	}
}

func TestCheckSaysEverythingAtOnce(t *testing.T) {
	c := good()
	c.Title, c.Eye, c.Notes[2].Kind, c.Outcome[0].IOP = "", "both", "thought", "70 mmHg"
	got := c.Check()
	if len(got) != 4 || !slices.IsSortedFunc(got, func(a, b Problem) int { return strings.Compare(a.Path, b.Path) }) {
		t.Errorf("problems %v", got)
	}
	if bad := Errors(got); len(bad) != 3 {
		t.Errorf("more than warnings: %v", bad)
	}
}

// A stage is held against every one before it, not only against its neighbour.
func TestCheckFindsOverlapsBehindAShortStage(t *testing.T) {
	c := good()
	c.Notes[3].Span = Span{60 * Second, 110 * Second}
	c.Notes[0].Span = Span{70 * Second, 80 * Second}
	got := c.Check()
	if len(got) != 2 || got[0].Path != "notes[0].from" || !strings.Contains(got[1].String(), "notes[6].from: this stage begins at 01:40, before the one from 01:00 to 01:50 ends") {
		t.Errorf("problems %v", got)
	}
}

func TestChoices(t *testing.T) {
	for _, path := range []string{"eye", "patient.age_band", "patient.sex", "known", "status", "surgeon", "specialty"} {
		if got := Choices(path); len(got) == 0 || slices.Contains(got, "") {
			t.Errorf("choices of %s: %q", path, got)
		}
	}
	if got := Choices("title"); got != nil {
		t.Errorf("choices of title: %q", got)
	}
}
