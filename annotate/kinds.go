package annotate

import "strings"

// Timing says what times a note of a kind has.
type Timing int

// The timings.
const (
	Spans    Timing = iota // from, to
	Instants               // one second
	Either                 // one or the other
)

// FieldType says what a field of a kind holds.
type FieldType int

// The field types.
const (
	TextField       FieldType = iota // words
	TermField                        // words, or a concept of the vocabulary
	QuantitiesField                  // parameters with values and units
)

// String says what a field of the type holds.
func (t FieldType) String() string {
	switch t {
	case TermField:
		return "words or a concept"
	case QuantitiesField:
		return "parameters with values and units"
	}
	return "words"
}

// Field is one thing that a note of a kind can say besides its concept and words.
type Field struct {
	ID, Label, Help string
	Type            FieldType
	TermKinds       []string // TermField: the vocabulary kinds offered
	Required        bool
}

// Kind is a row of the table of kinds: all that the forms, the checks, the case
// file, the index, the exports and the help need to know of it.
type Kind struct {
	ID, Name, Plural string
	Help             string
	Timing           Timing
	TermKinds        []string // vocabulary kinds offered for the concept; nil: the kind has none
	Needs            Need
	Fields           []Field
	Weight           float64 // in search, against 1 for a remark
	Exclusive        bool    // notes of this kind and one recording do not overlap
}

// Need says which of concept and words a note cannot do without.
type Need int

// What a note can need.
const (
	ConceptOrWords Need = iota
	WordsNeeded
	FieldsNeeded
)

// Kinds is the table of kinds, in the order in which they are shown.
// A new kind is one row here.
func Kinds() []Kind { return kinds[:] }

var kinds = [...]Kind{
	{ID: "stage", Name: "stage", Plural: "stages", Help: "A part of the operation. Stages of one recording do not overlap.",
		Timing: Spans, TermKinds: []string{"stage"}, Weight: 1.5, Exclusive: true},
	{ID: "technique", Name: "technique", Plural: "techniques", Help: "How it was done, or what was used.",
		Timing: Either, TermKinds: []string{"technique", "device", "instrument"}, Weight: 2.5},
	{ID: "factor", Name: "factor", Plural: "factors", Help: "A difficulty of this patient or eye, seen at this second.",
		Timing: Either, TermKinds: []string{"factor"}, Weight: 2.5,
		Fields: []Field{{ID: "grade", Label: "Grade or extent", Help: "4 clock hours; LOCS NO 5.2"}}},
	{ID: "setting", Name: "setting", Plural: "settings", Help: "Machine values in force from this second.",
		Timing: Instants, Needs: FieldsNeeded, Weight: 1,
		Fields: []Field{
			{ID: "mode", Label: "Sub-mode", Type: TermField, TermKinds: []string{"setting"}},
			{ID: "values", Label: "Values", Help: "vacuum 350 mmHg, aspiration flow 28 mL/min", Type: QuantitiesField, Required: true},
			{ID: "usual", Label: "Usual values of this surgeon", Help: "vacuum 400 mmHg", Type: QuantitiesField}}},
	{ID: "decision", Name: "decision", Plural: "decisions", Help: "The plan held or changed here.",
		Timing: Instants, TermKinds: []string{"technique", "device", "instrument", "stage"}, Needs: FieldsNeeded, Weight: 2,
		Fields: []Field{
			{ID: "from", Label: "From", Help: "what was planned"},
			{ID: "to", Label: "To", Help: "what was done", Required: true},
			{ID: "sign", Label: "Sign seen"},
			{ID: "because", Label: "Reason"}}},
	{ID: "complication", Name: "complication", Plural: "complications", Help: "What went wrong, or nearly did.",
		Timing: Either, TermKinds: []string{"complication", "factor"}, Weight: 2.5},
	{ID: "teaching-point", Name: "teaching point", Plural: "teaching points", Help: "A sentence that a trainee should take away.",
		Timing: Either, TermKinds: []string{"technique", "factor", "complication", "stage", "device", "instrument", "setting"}, Needs: WordsNeeded, Weight: 2},
	{ID: "remark", Name: "remark", Plural: "remarks", Help: "Anything else worth a second of film.",
		Timing: Either, TermKinds: []string{"technique", "factor", "complication", "stage", "device", "instrument", "setting", "outcome"}, Needs: WordsNeeded, Weight: 1},
}

// KindOf finds a kind by its id or name, whatever the case and the hyphens.
func KindOf(s string) (Kind, bool) {
	s = strings.ReplaceAll(strings.ToLower(strings.TrimSpace(s)), " ", "-")
	for _, k := range kinds {
		if k.ID == s {
			return k, true
		}
	}
	return Kind{}, false
}

// fits says whether fact holds only what the field is for.
func (f Field) fits(fact Fact) bool {
	return (f.Type == QuantitiesField || len(fact.Quantities) == 0) && (f.Type != QuantitiesField || fact.Text == "") &&
		(f.Type == TermField || fact.Concept == "")
}

// Field finds a field of the kind.
func (k Kind) Field(id string) (Field, bool) {
	for _, f := range k.Fields {
		if f.ID == id {
			return f, true
		}
	}
	return Field{}, false
}
