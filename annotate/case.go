package annotate

import "slices"

// Term is something said in a case: the words as written and, where the
// vocabulary knows them, the concept that they name.
type Term struct {
	Concept string `json:"concept,omitempty"` // "t.horizontal-chop"; "" where the vocabulary does not know the words
	Words   string `json:"words,omitempty"`   // as written; "" where the concept says it all
}

// Zero says whether t says nothing.
func (t Term) Zero() bool { return t == Term{} }

// Unknown says whether t is words that the vocabulary does not know.
func (t Term) Unknown() bool { return t.Concept == "" && t.Words != "" }

// Audience is who may see a case, each wider than the one before.
type Audience int

// The audiences. The zero value is nobody: what is not known is not allowed.
const (
	Nobody Audience = iota
	OwnUnit
	Professionals
	Public
)

var audiences = [...]string{"nobody", "own unit", "professionals", "public"}

// String gives the audience's name: "own unit".
func (a Audience) String() string {
	if a < 0 || int(a) >= len(audiences) {
		return audiences[0]
	}
	return audiences[a]
}

// MarshalText writes the name.
func (a Audience) MarshalText() ([]byte, error) { return []byte(a.String()), nil }

// UnmarshalText reads a name.
func (a *Audience) UnmarshalText(b []byte) error {
	i := slices.Index(audiences[:], string(b))
	if i < 0 {
		return Faultf(Invalid, "%q is not an audience; it is one of own unit, professionals, public", b)
	}
	*a = Audience(i)
	return nil
}

// Consent is what the patient allowed. Dates are "2026-03-01"; the reference
// points into the unit's own register and is never shown or exported to others.
type Consent struct {
	Audience  Audience `json:"audience"`
	Obtained  string   `json:"obtained,omitempty"`
	Reference string   `json:"reference,omitempty"`
	Withdrawn string   `json:"withdrawn,omitempty"`
}

// Patient is the little that is kept of a patient: never a name, date or exact age.
type Patient struct {
	AgeBand string `json:"age_band,omitempty"` // "40-49"; "90+" is the last
	Sex     string `json:"sex,omitempty"`      // female, male, other
}

// Factor is a difficulty of the eye or the patient, known before or met during surgery.
type Factor struct {
	Term  Term   `json:"term"`
	Grade string `json:"grade,omitempty"`
	Known string `json:"known,omitempty"` // before, during
}

// Plan is one anticipated challenge and what was ready for it.
type Plan struct {
	Challenge Term   `json:"challenge"`
	Strategy  string `json:"strategy,omitempty"`
	StandBy   []Term `json:"stand_by,omitempty"`
}

// Outcome is how the eye was at one visit. Acuity is kept as written: "6/9".
type Outcome struct {
	When         string `json:"when"`
	VisualAcuity string `json:"visual_acuity,omitempty"`
	IOP          string `json:"iop,omitempty"` // patient's pressure, as written: "14 mmHg"
	Words        string `json:"words,omitempty"`
}

// Still is a photograph that belongs to the case.
type Still struct {
	ID    string `json:"id"`
	When  string `json:"when,omitempty"`
	Words string `json:"words,omitempty"`
	Hash  string `json:"hash"` // of the cleaned JPEG in the vault
}

// Film is what the file itself says of a recording.
type Film struct {
	Container     string `json:"container"` // mp4, mov, webm, mkv
	Duration      Time   `json:"duration"`
	Rate          Rate   `json:"rate"`
	Variable      bool   `json:"variable,omitempty"` // frame times are uneven; Rate is their average
	Width         int    `json:"width"`              // as shown, after rotation
	Height        int    `json:"height"`
	VideoCodec    string `json:"video_codec"`
	AudioCodec    string `json:"audio_codec,omitempty"` // "" when silent
	StartTimecode string `json:"start_timecode,omitempty"`
	Size          int64  `json:"size"` // bytes
}

// Cue is one caption on its recording's own clock.
type Cue struct {
	ID   string `json:"id,omitempty"`
	Span Span   `json:"span"`
	Text string `json:"text"` // plain text, lines parted by \n
}

// Track is the captions of one recording in one language.
type Track struct {
	Language string `json:"language"` // BCP 47: "en"
	Cues     []Cue  `json:"cues"`
}

// Recording is one film of a case.
type Recording struct {
	ID       string  `json:"id"` // "r1", "r2" … within the case
	Role     string  `json:"role,omitempty"`
	Offset   Time    `json:"offset"` // of its first frame on the case clock
	Hash     string  `json:"hash"`   // SHA-256 of the original's bytes, in hex
	Film     Film    `json:"film"`
	Captions []Track `json:"captions,omitempty"`
}

// Span is the stretch of the case clock that r covers.
func (r Recording) Span() Span { return Span{r.Offset, r.Offset + r.Film.Duration} }

// Quantity is a parameter with its value, as written and in its own unit.
type Quantity struct {
	Parameter string  `json:"parameter"` // concept id: "p.vacuum"
	Value     float64 `json:"value"`
	Unit      string  `json:"unit,omitempty"`
}

// Fact is what one field of a note holds: text, a term or quantities, by the
// field's type.
type Fact struct {
	Text       string     `json:"text,omitempty"`
	Concept    string     `json:"concept,omitempty"` // TermField
	Quantities []Quantity `json:"quantities,omitempty"`
}

// State says whose word a note is.
type State string

// The states of a note.
const (
	Inked     State = "inked"     // a curator stands behind it
	Pencilled State = "pencilled" // proposed, nobody's word yet
)

// Note is a time-coded statement about the case, on the case clock.
type Note struct {
	ID        string          `json:"id"`
	Kind      string          `json:"kind"`
	Recording string          `json:"recording"` // the recording in which it is seen
	Span      Span            `json:"span"`
	Term      Term            `json:"term,omitzero"`
	Words     string          `json:"words,omitempty"`
	Fields    map[string]Fact `json:"fields,omitempty"`
	State     State           `json:"state"`
	Rev       uint64          `json:"rev"` // number of the change that last touched it; set by the store
}

// Status says how far a case is.
type Status string

// The statuses of a case.
const (
	Draft     Status = "draft"
	InReview  Status = "in review"
	Published Status = "published"
)

// Case is one operation on one eye, with all that is known and shown of it.
type Case struct {
	ID         string      `json:"id"`
	Rev        uint64      `json:"rev"` // number of the last change that touched the case; set by the store
	Title      string      `json:"title"`
	Summary    string      `json:"summary,omitempty"`
	Specialty  string      `json:"specialty,omitempty"`
	Procedure  Term        `json:"procedure,omitzero"`
	Surgeon    string      `json:"surgeon,omitempty"` // level, never a name: consultant, fellow, trainee
	Eye        string      `json:"eye,omitempty"`     // right, left
	Patient    Patient     `json:"patient,omitzero"`
	Factors    []Factor    `json:"factors,omitempty"`
	Plan       []Plan      `json:"plan,omitempty"`
	Recordings []Recording `json:"recordings,omitempty"`
	Stills     []Still     `json:"stills,omitempty"`
	Notes      []Note      `json:"notes,omitempty"` // in order of From, kind, the longer first, id
	Hindsight  string      `json:"hindsight,omitempty"`
	Outcome    []Outcome   `json:"outcome,omitempty"`
	Consent    Consent     `json:"consent"`
	Discretion bool        `json:"discretion,omitempty"` // cover before the first frame
	Status     Status      `json:"status"`
}

// Recording finds a recording by its id; "" finds the first.
func (c *Case) Recording(id string) (Recording, bool) {
	for _, r := range c.Recordings {
		if r.ID == id || id == "" {
			return r, true
		}
	}
	return Recording{}, false
}

// Note finds a note by its id.
func (c *Case) Note(id string) (Note, bool) {
	if i := c.noteIndex(id); i >= 0 {
		return c.Notes[i], true
	}
	return Note{}, false
}

func (c *Case) noteIndex(id string) int {
	return slices.IndexFunc(c.Notes, func(n Note) bool { return n.ID == id })
}

// OfKind gives the notes of a kind, in order.
func (c *Case) OfKind(kind string) []Note {
	var out []Note
	for _, n := range c.Notes {
		if n.Kind == kind {
			out = append(out, n)
		}
	}
	return out
}

// Length is where the last recording ends on the case clock, or the last note
// where no recording is known.
func (c *Case) Length() Time {
	var end Time
	for _, r := range c.Recordings {
		end = max(end, r.Span().To)
	}
	if end == 0 {
		for _, n := range c.Notes {
			end = max(end, n.Span.To)
		}
	}
	return end
}

// Terms calls yield with every term of the case and its path in the words of
// the case file, until yield says false.
func (c *Case) Terms(yield func(path string, t *Term) bool) {
	_ = yieldTerm("procedure", &c.Procedure, yield) &&
		eachTerm("factors", c.Factors, func(f *Factor) *Term { return &f.Term }, "concept", yield) &&
		c.planTerms(yield) &&
		eachTerm("notes", c.Notes, func(n *Note) *Term { return &n.Term }, "concept", yield)
}

func (c *Case) planTerms(yield func(string, *Term) bool) bool {
	if !eachTerm("plan", c.Plan, func(p *Plan) *Term { return &p.Challenge }, "challenge", yield) {
		return false
	}
	for i := range c.Plan {
		for j := range c.Plan[i].StandBy {
			if !yieldTerm(at(at("plan", i)+".stand_by", j), &c.Plan[i].StandBy[j], yield) {
				return false
			}
		}
	}
	return true
}

func eachTerm[T any](list string, items []T, term func(*T) *Term, key string, yield func(string, *Term) bool) bool {
	for i := range items {
		if !yieldTerm(at(list, i)+"."+key, term(&items[i]), yield) {
			return false
		}
	}
	return true
}

func yieldTerm(path string, t *Term, yield func(string, *Term) bool) bool {
	return t.Zero() || yield(path, t)
}
