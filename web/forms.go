package web

// Problems are what is wrong with a form, by the name of the field; "" is the
// form as a whole. For a note the names of the case file serve as well: "at" is
// "from", and a field of its kind goes without "field.".
type Problems map[string][]string

// Add notes one more problem of a field.
func (p Problems) Add(field, say string) { p[field] = append(p[field], say) }

// NotePage is the form for one note: "/cases/{id}/notes/new" and
// "/cases/{id}/notes/{note}". Without a kind it offers the kinds to choose from.
type NotePage struct {
	Base
	CaseID, CaseTitle string
	NoteID            string // "" for a new note
	Rev               uint64 // sent back as "rev"; 0 for a new note
	Form              NoteForm
	Recordings        []Option
	Suggest           map[string][]string // by vocabulary kind: preferred terms offered while typing
	Problems          Problems
	Deleting          bool // asks whether the note is really to go
}

// DetailsPage is the form for the head of a case: "/cases/{id}/details".
type DetailsPage struct {
	Base
	CaseID   string
	Rev      uint64
	Form     DetailsForm
	Suggest  []string // procedures
	Problems Problems
	Removing bool // asks whether the whole case is really to go
}

// AddPage is "/add". The form sends title, film, captions and case_yaml, or
// upload (the address of a finished resumable upload) in place of film.
type AddPage struct {
	Base
	Form     AddForm
	MaxFilm  string // "20 GB", for the hint
	Problems Problems
}

// AddForm is what has been typed or sent already.
type AddForm struct {
	CaseTitle string
	Upload    string // address of a finished upload under /uploads/
	FileName  string // of that upload
}

// NoteForm is a note as it is typed. The names in the form are kind, recording,
// from, to, concept, words, pencilled and field.ID for each field of the kind.
type NoteForm struct {
	Kind      string // id
	Recording string
	From, To  string // "07:24", "07:24.5"
	Concept   string
	Words     string
	Pencilled bool
	Fields    map[string]string // by field id; quantities are lines "vacuum 350 mmHg"
}

// DetailsForm is the head of a case as it is typed. The names in the form are
// those of the JSON keys of [annotate.Case], with dots for what lies within.
type DetailsForm struct {
	CaseTitle, Summary, Procedure string
	Surgeon, Eye, AgeBand, Sex    string
	Hindsight                     string
	Discretion                    bool
	Status                        string
	Audience, Obtained, Reference string
	Withdrawn                     string
}
