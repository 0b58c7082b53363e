package web

import (
	"fmt"
	"net/url"
	"slices"
	"strings"

	"sideport/annotate"
)

// Input is one field of a form, as the template "input" draws it.
type Input struct {
	Name, Label, Help string
	Type              string // "" one line, lines, time, day, choice, tick
	Value             string // tick: "" or not
	Rows              int
	Short, Required   bool
	Options           []Option
	List              []string
	Problems          []string
}

// ID is the input's id in the page.
func (i Input) ID() string { return strings.NewReplacer(".", "-", "_", "-").Replace(i.Name) }

// Described lists the ids of what describes the input.
func (i Input) Described() string {
	var ids []string
	if i.Help != "" {
		ids = append(ids, i.ID()+"-hint")
	}
	if len(i.Problems) > 0 {
		ids = append(ids, i.ID()+"-problems")
	}
	return strings.Join(ids, " ")
}

// Group is inputs that belong together, under a legend.
type Group struct {
	Name, Help string
	Inputs     []Input
}

// place puts each problem beside its field; what has no field is left over.
func place(inputs []Input, p Problems) []Input {
	for i := range inputs {
		inputs[i].Problems = p[inputs[i].Name]
	}
	return inputs
}

// left gives the problems that have no field of their own to stand beside.
func left(p Problems, inputs []Input, also ...string) []string {
	var names, out []string
	for n := range p {
		names = append(names, n)
	}
	slices.Sort(names)
	for _, n := range names {
		if !slices.Contains(also, n) && !slices.ContainsFunc(inputs, func(i Input) bool { return i.Name == n }) {
			out = append(out, p[n]...)
		}
	}
	return out
}

// Inputs are the fields of the form, from the row of the table of kinds.
func (p NotePage) Inputs() []Input {
	kind, ok := annotate.KindOf(p.Form.Kind)
	if !ok {
		return nil
	}
	in := p.times(kind)
	if kind.TermKinds != nil {
		in = append(in, Input{Name: "concept", Label: "Concept", Value: p.Form.Concept, List: p.suggest(kind.TermKinds),
			Help: "As you would say it: " + strings.Join(kind.TermKinds, ", ") + "."})
	}
	for _, f := range kind.Fields {
		in = append(in, p.field(f))
	}
	in = append(in,
		Input{Name: "words", Label: "Words", Type: "lines", Rows: 3, Value: p.Form.Words, Required: kind.Needs == annotate.WordsNeeded},
		Input{Name: "pencilled", Label: "Only pencilled: nobody stands behind it yet", Type: "tick", Value: tick(p.Form.Pencilled)})
	return place(in, p.named(kind))
}

// named gives the problems by the names in the form. A kind may have a field
// "from": then the problem is the time's where the time cannot be read.
func (p NotePage) named(kind annotate.Kind) Problems {
	out := Problems{}
	_, badTime := annotate.ParseTime(p.Form.From)
	for name, say := range p.Problems {
		if _, ok := kind.Field(name); ok && (name != "from" || badTime == nil) {
			name = "field." + name
		} else if name == "at" {
			name = "from"
		}
		out[name] = append(out[name], say...)
	}
	return out
}

func (p NotePage) times(kind annotate.Kind) []Input {
	var in []Input
	if len(p.Recordings) > 1 {
		in = append(in, Input{Name: "recording", Label: "Recording", Type: "choice", Options: choose(p.Recordings, p.Form.Recording)})
	}
	first := Input{Name: "from", Label: "From", Type: "time", Value: p.Form.From, Short: true, Required: true}
	if kind.Timing == annotate.Instants {
		first.Label = "At"
		return append(in, first)
	}
	to := Input{Name: "to", Label: "To", Type: "time", Value: p.Form.To, Short: true, Required: kind.Timing == annotate.Spans}
	if kind.Timing == annotate.Either {
		to.Help = "Leave empty for a single second."
	}
	return append(in, first, to)
}

func (p NotePage) field(f annotate.Field) Input {
	in := Input{Name: "field." + f.ID, Label: f.Label, Help: f.Help, Value: p.Form.Fields[f.ID], Required: f.Required}
	switch f.Type {
	case annotate.QuantitiesField:
		in.Type, in.Rows = "lines", 4
		in.Help = "One to a line, with its unit, as in: " + in.Help
	case annotate.TermField:
		in.List = p.suggest(f.TermKinds)
	}
	return in
}

func (p NotePage) suggest(kinds []string) []string {
	var out []string
	for _, k := range kinds {
		out = append(out, p.Suggest[k]...)
	}
	return out
}

func tick(b bool) string {
	if b {
		return "true"
	}
	return ""
}

// choose marks the option of a value.
func choose(options []Option, value string) []Option {
	out := slices.Clone(options)
	for i := range out {
		out[i].Chosen = out[i].Value == value
	}
	return out
}

// choices are the options of a field of a case, with an empty one first.
func choices(path, value string) []Option {
	out := []Option{{Label: "not said"}}
	for _, c := range annotate.Choices(path) {
		out = append(out, Option{Value: c, Label: c})
	}
	return choose(out, value)
}

// Kinds gives the table of kinds.
func (NotePage) Kinds() []annotate.Kind { return annotate.Kinds() }

// KindHelp says what a note of the form's kind is.
func (p NotePage) KindHelp() string {
	k, _ := annotate.KindOf(p.Form.Kind)
	return k.Help
}

// Heading says what the form is for.
func (p NotePage) Heading() string {
	k, ok := annotate.KindOf(p.Form.Kind)
	switch {
	case p.Deleting:
		return "Remove this note?"
	case !ok:
		return "Add a note"
	case p.NoteID != "":
		return "Change the " + k.Name
	case strings.ContainsAny(k.Name[:1], "aeiou"):
		return "Add an " + k.Name
	}
	return "Add a " + k.Name
}

// Brief is the note in a few words.
func (p NotePage) Brief() string {
	for _, s := range []string{p.Form.Concept, p.Form.Words, p.Form.Fields["to"], p.Form.Kind} {
		if r := []rune(s); len(r) > 80 {
			return string(r[:79]) + "…"
		} else if s != "" {
			return s
		}
	}
	return "note"
}

// Action is where the form is sent.
func (p NotePage) Action() string {
	a := "/cases/" + url.PathEscape(p.CaseID) + "/notes"
	if p.NoteID != "" {
		a += "/" + url.PathEscape(p.NoteID)
	}
	return a
}

// Back is the second of the case that the note is about.
func (p NotePage) Back() string {
	at, err := annotate.ParseTime(p.Form.From)
	if err != nil {
		return "/cases/" + url.PathEscape(p.CaseID)
	}
	return MomentURL(p.CaseID, p.Form.Recording, at)
}

// KindURL is the empty form for a note of a kind at the same second.
func (p NotePage) KindURL(kind string) string {
	q := url.Values{"kind": {kind}}
	if at, err := annotate.ParseTime(p.Form.From); err == nil {
		q.Set("t", seconds(at))
	}
	if p.Form.Recording != "" {
		q.Set("rec", p.Form.Recording)
	}
	return fmt.Sprintf("/cases/%s/notes/new?%s", url.PathEscape(p.CaseID), q.Encode())
}

// Whole are the problems that stand beside no field.
func (p NotePage) Whole() []string {
	kind, _ := annotate.KindOf(p.Form.Kind)
	return left(p.named(kind), p.Inputs())
}

// Groups are the fields of the form.
func (p DetailsPage) Groups() []Group {
	f := p.Form
	groups := []Group{
		{"The case", "", []Input{
			{Name: "title", Label: "Title", Value: f.CaseTitle, Required: true},
			{Name: "summary", Label: "Summary", Type: "lines", Rows: 3, Value: f.Summary},
			{Name: "procedure", Label: "Procedure", Value: f.Procedure, List: p.Suggest},
			{Name: "status", Label: "Status", Type: "choice", Options: choices("status", f.Status)[1:]},
			{Name: "discretion", Label: "Cover the film with “surgical content” until it is asked for", Type: "tick", Value: tick(f.Discretion)},
		}},
		{"Who and which eye", "Never a name, a date of birth or an exact age.", []Input{
			{Name: "surgeon", Label: "Surgeon", Type: "choice", Short: true, Options: choices("surgeon", f.Surgeon)},
			{Name: "eye", Label: "Eye", Type: "choice", Short: true, Options: choices("eye", f.Eye)},
			{Name: "patient.age_band", Label: "Age", Type: "choice", Short: true, Options: choices("patient.age_band", f.AgeBand)},
			{Name: "patient.sex", Label: "Sex", Type: "choice", Short: true, Options: choices("patient.sex", f.Sex)},
		}},
		{"Looking back", "", []Input{
			{Name: "hindsight", Label: "Hindsight", Type: "lines", Rows: 4, Value: f.Hindsight, Help: "What you would do another time."},
		}},
		{"Consent", "What the patient allowed. Where it is not known, nothing is allowed.", []Input{
			{Name: "consent.audience", Label: "May be seen by", Type: "choice", Options: audienceOptions(f.Audience)},
			{Name: "consent.obtained", Label: "Obtained on", Type: "day", Short: true, Value: f.Obtained},
			{Name: "consent.withdrawn", Label: "Withdrawn on", Type: "day", Short: true, Help: "With a day here the case is gone for everybody, at once and for good; a steward can then only remove it. Copies that were exported before cannot be called back.", Value: f.Withdrawn},
			{Name: "consent.reference", Label: "Entry in the unit’s register", Value: f.Reference, Help: "Never shown to readers, never exported to others."},
		}},
	}
	for i := range groups {
		place(groups[i].Inputs, p.Problems)
	}
	return groups
}

func audienceOptions(value string) []Option {
	var out []Option
	for a := annotate.Nobody; a <= annotate.Public; a++ {
		out = append(out, Option{Value: a.String(), Label: a.String(), Chosen: a.String() == value})
	}
	return out
}

// Whole are the problems that stand beside no field.
func (p DetailsPage) Whole() []string {
	var all []Input
	for _, g := range p.Groups() {
		all = append(all, g.Inputs...)
	}
	return left(p.Problems, all)
}

// Inputs are the typed fields of the form.
func (p AddPage) Inputs() []Input {
	return place([]Input{{Name: "title", Label: "Title", Value: p.Form.CaseTitle,
		Help: "May be left out where case.yaml gives one."}}, p.Problems)
}

// Files are the small files that can come along. Value is what they accept.
func (p AddPage) Files() []Input {
	return place([]Input{
		{Name: "captions", Label: "Captions", Value: ".vtt,text/vtt", Help: "WebVTT, of the narration."},
		{Name: "case_yaml", Label: "case.yaml", Value: ".yaml,.yml", Help: "The record as a plain file; its film and captions are the ones sent here."},
	}, p.Problems)
}

// Of gives the problems of one field.
func (p AddPage) Of(field string) []string { return p.Problems[field] }

// Whole are the problems that stand beside no field.
func (p AddPage) Whole() []string {
	return left(p.Problems, append(p.Inputs(), p.Files()...), "film")
}
