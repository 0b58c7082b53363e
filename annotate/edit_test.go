package annotate

import (
	"encoding/json"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// revised is the good case as the store has it: with revs.
func revised() Case {
	c := good()
	c.Rev = 9
	for i := range c.Notes {
		c.Notes[i].Rev = uint64(i + 1)
	}
	c.Recordings[0].Captions = []Track{{Language: "en", Cues: []Cue{{Text: "hello"}}}, {Language: "fr", Cues: []Cue{{Text: "bonjour"}}}}
	return c
}

func TestEditApply(t *testing.T) {
	whole, remark := good(), Note{ID: "x1", Kind: "remark", Recording: "r1", Span: At(5 * Second), Words: "early", State: Inked}
	moved := good().Notes[2]
	moved.Span = Span{95 * Second, 99 * Second}
	head := Case{ID: "other", Rev: 3, Title: "New title", Notes: []Note{remark}, Stills: []Still{{ID: "s9"}}}
	track := func(lang string, texts ...string) *CaptionsEdit {
		e := &CaptionsEdit{Recording: "r1", Track: Track{Language: lang}}
		for _, s := range texts {
			e.Track.Cues = append(e.Track.Cues, Cue{Text: s})
		}
		return e
	}
	for _, tt := range []struct {
		name, action string
		from         Case
		edit         Edit
		want         func(c *Case) // from what the case was to what it is to be
	}{
		{"add", "add case", Case{}, Edit{Case: "c7", Add: &whole}, func(c *Case) { *c = good(); c.ID = "c7" }},
		{"head", "change case", revised(), Edit{Case: "c1", Head: &head}, func(c *Case) {
			*c = Case{ID: c.ID, Rev: c.Rev, Title: "New title", Recordings: c.Recordings, Stills: c.Stills, Notes: c.Notes}
		}},
		{"put a new note", "put note", revised(), Edit{Case: "c1", PutNote: &remark}, func(c *Case) { c.Notes = append([]Note{remark}, c.Notes...) }},
		{"put a note anew", "put note", revised(), Edit{Case: "c1", IfRev: 3, PutNote: &moved}, func(c *Case) {
			n := c.Notes
			c.Notes = []Note{n[0], n[1], n[3], n[4], n[5], moved, n[6]}
		}},
		{"drop a note", "drop note", revised(), Edit{Case: "c1", IfRev: 1, DropNote: "n0"}, func(c *Case) { c.Notes = c.Notes[1:] }},
		{"attach", "attach recording", revised(), Edit{Case: "c1", Attach: &Recording{ID: "r3"}}, func(c *Case) { c.Recordings = append(c.Recordings, Recording{ID: "r3"}) }},
		{"stills", "put stills", revised(), Edit{Case: "c1", Stills: []Still{}}, func(c *Case) { c.Stills = []Still{} }},
		{"a track anew", "put captions", revised(), Edit{Case: "c1", Captions: track("en", "hi")}, func(c *Case) {
			c.Recordings[0].Captions = []Track{{"fr", []Cue{{Text: "bonjour"}}}, {"en", []Cue{{Text: "hi"}}}}
		}},
		{"a track gone", "put captions", revised(), Edit{Case: "c1", Captions: track("en")}, func(c *Case) { c.Recordings[0].Captions = c.Recordings[0].Captions[1:] }},
		{"drop", "drop case", revised(), Edit{Case: "c1", IfRev: 9, Drop: true}, func(c *Case) {}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			before, _ := json.Marshal(tt.from)
			given, _ := json.Marshal(tt.edit)
			got, err := tt.edit.Apply(tt.from)
			if err != nil {
				t.Fatal(err)
			}
			want := tt.from
			if want.ID != "" {
				want = revised()
			}
			tt.want(&want)
			if d := cmp.Diff(want, got); d != "" {
				t.Errorf("case (-want +got):\n%s", d)
			}
			if after, _ := json.Marshal(tt.from); string(after) != string(before) {
				t.Error("the case that was handed in has changed")
			}
			if after, _ := json.Marshal(tt.edit); string(after) != string(given) {
				t.Error("the edit that was handed in has changed")
			}
			if tt.edit.Action() != tt.action {
				t.Errorf("action %q, want %q", tt.edit.Action(), tt.action)
			}
		})
	}
}

func TestEditRefused(t *testing.T) {
	whole, note := good(), good().Notes[2]
	fresh := note
	fresh.ID = "x1"
	overlapping := good().Notes[3]
	overlapping.Span.From = 50 * Second
	untitled := Case{}
	for _, tt := range []struct {
		name  string
		from  Case
		edit  Edit
		cause Cause
		say   string
	}{
		{"empty", revised(), Edit{Case: "c1"}, Invalid, "The change is empty."},
		{"add what is there", revised(), Edit{Case: "c1", Add: &whole}, Conflict, "There is a case c1 already."},
		{"change what is not there", Case{}, Edit{Case: "c8", Head: &whole}, Missing, "There is no case c8."},
		{"drop what is not there", Case{}, Edit{Case: "c8", Drop: true}, Missing, "There is no case c8."},
		{"drop a note that is not there", revised(), Edit{Case: "c1", DropNote: "x1"}, Missing, "There is no note x1 in case c1"},
		{"change a note that is gone", revised(), Edit{Case: "c1", IfRev: 3, PutNote: &fresh}, Missing, "There is no note x1 in case c1"},
		{"a note changed since", revised(), Edit{Case: "c1", IfRev: 2, PutNote: &note}, Conflict, "Somebody else changed this"},
		{"a note dropped after a change", revised(), Edit{Case: "c1", IfRev: 9, DropNote: "n2"}, Conflict, "Somebody else changed this"},
		{"a case changed since", revised(), Edit{Case: "c1", IfRev: 8, Head: &whole}, Conflict, "Somebody else changed this"},
		{"captions of no recording", revised(), Edit{Case: "c1", Captions: &CaptionsEdit{Recording: "r9"}}, Missing, "There is no recording r9"},
		{"a recording twice", revised(), Edit{Case: "c1", Attach: &Recording{ID: "r1"}}, Invalid, `recordings[2].id: the id "r1" is taken`},
		{"a note that breaks a rule", revised(), Edit{Case: "c1", PutNote: &overlapping}, Invalid, "notes[3].from: this stage begins at 00:50"},
		{"a head that breaks a rule", revised(), Edit{Case: "c1", Head: &untitled}, Invalid, "title: a case needs a title"},
		{"a new case that breaks a rule", Case{}, Edit{Case: "c8", Add: &untitled}, Invalid, "title: a case needs a title"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			before, _ := json.Marshal(tt.from)
			got, err := tt.edit.Apply(tt.from)
			if CauseOf(err) != tt.cause || !strings.Contains(err.Error(), tt.say) {
				t.Errorf("Apply: %v (%s), want %s with %q", err, CauseOf(err), tt.cause, tt.say)
			}
			if d := cmp.Diff(Case{}, got); d != "" {
				t.Errorf("a case comes beside the fault: %s", d)
			}
			if after, _ := json.Marshal(tt.from); string(after) != string(before) {
				t.Error("the case that was handed in has changed")
			}
		})
	}
}

// A warning does not stand in the way, and what is wrong with a case does not
// keep it from being removed.
func TestEditApplyLetsPass(t *testing.T) {
	c := revised()
	c.Outcome[0].IOP = "70 mmHg"
	if _, err := (Edit{Case: "c1", DropNote: "n0"}).Apply(c); err != nil {
		t.Errorf("with a warning: %v", err)
	}
	c.Title = ""
	if _, err := (Edit{Case: "c1", Drop: true}).Apply(c); err != nil {
		t.Errorf("dropping a broken case: %v", err)
	}
}
