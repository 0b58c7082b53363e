package web

import (
	"fmt"
	"slices"

	"sideport/annotate"
)

// A Page is one of the page structs of this package, ready for [Render].
type Page interface {
	template() string // name of its file under templates/pages, without .html
}

// Base is what every page shows around its content.
type Base struct {
	Title  string // of the page, for the browser's tab and the heading
	Here   string // address of the section we are in: "/", "/add", "/help"
	Viewer Viewer
	Notice string // what has just happened: "The note is kept."
}

// Viewer is who looks at the page. The zero Viewer is nobody signed in.
type Viewer struct {
	Name    string // account name
	Role    string // trainee, presenter, curator, steward
	Curates bool   // may write cases
}

// Link is a place to go and what to call it.
type Link struct {
	Text, Href string
	Help       string // a few words more; may be empty
}

// Option is one choice of a form.
type Option struct {
	Value, Label string
	Chosen       bool
}

// Run is a stretch of words; Hit where the search found it.
type Run struct {
	Text string
	Hit  bool
}

// Plain makes the runs of words in which nothing was searched.
func Plain(words string) []Run {
	if words == "" {
		return nil
	}
	return []Run{{Text: words}}
}

// Moment is a second of a case and what is said of it.
type Moment struct {
	At        annotate.Time
	Recording string // "" for the first
	Kind      string // name of the kind: "teaching point"; may be empty
	Words     []Run
	Untimed   bool // from what lies on no second: the plan, the summary
}

// Stage is one part of a ribbon.
type Stage struct {
	Span      annotate.Span
	Recording string
	Concept   string // "st.cortex", for its family; may be empty
	Name      string // "Cortex removal"
	Pencilled bool
}

// LibraryPage is "/": the search box, what it found, and what it could be
// narrowed to. The form sends q, sort, each facet's ID with its chosen values,
// and as-written once for each reading that is switched off.
type LibraryPage struct {
	Base
	Query   string
	Read    []Reading
	Facets  []Facet
	Sorts   []Option // of "sort"; empty hides the choice
	Total   int      // cases found
	Of      int      // cases that this viewer could find at all
	Moments int      // seconds found; 0 says nothing of them
	Rows    []CaseRow
	Pager   Pager
	Try     []Link // where nothing is found: searches that find something
	AllHref string // the search without facets; "" where none is chosen
}

// Reading is how part of the query was understood: "we read loose bag as
// zonular weakness".
type Reading struct {
	ID    string // what as-written holds where it is switched off; "": the Words
	Words string // as typed
	As    string // the concept's preferred term, or the mended spelling
	Off   bool   // switched off: searched as written
	Href  string // the same search with this reading switched over
}

// Facet is one property by which the cases found can be narrowed.
type Facet struct {
	ID, Label string // ID is the name in the query string
	Values    []FacetValue
}

// FacetValue is one value of a facet and how many of the cases found have it.
type FacetValue struct {
	Value, Label string
	Count        int
	Chosen       bool
}

// CaseRow is one case in the library.
type CaseRow struct {
	ID, Title  string
	Facts      []string // short: "phacoemulsification", "left eye", "consultant"
	Length     annotate.Time
	Poster     string // address of the frame; "" where there is none yet
	Discretion bool   // do not show the frame before it is asked for
	Status     string // shown unless published
	Preparing  string // what is being made of its film; "" where all is ready
	Factors    []Tag
	Stages     []Stage
	Best       []Moment // the best moments, in order of the clock, then the untimed
	More       int      // further moments found in this case
}

// Tag is a short label with a grade or extent.
type Tag struct {
	Name, Grade string
	Hit         bool
}

// shown is how many values of a facet are seen at once.
const shown = 7

// Choice is a value of a facet, with the name under which the form sends it.
type Choice struct {
	Facet string
	FacetValue
}

// First gives the values that are seen at once.
func (f Facet) First() []Choice { return f.choices(0, min(shown, len(f.Values))) }

// Rest gives the others, which are folded away.
func (f Facet) Rest() []Choice { return f.choices(min(shown, len(f.Values)), len(f.Values)) }

// RestChosen says whether one of the others is chosen, so that they are seen.
func (f Facet) RestChosen() bool {
	return slices.ContainsFunc(f.Rest(), func(c Choice) bool { return c.Chosen })
}

func (f Facet) choices(from, to int) []Choice {
	var out []Choice
	for _, v := range f.Values[from:to] {
		out = append(out, Choice{f.ID, v})
	}
	return out
}

// Pager leads through the pages of a list. Empty addresses are not shown.
type Pager struct {
	Page, Pages    int
	Previous, Next string
}

// RecordPage is "/cases/{id}": the film and the record of the operation.
type RecordPage struct {
	Base
	ID            string
	Summary       string
	Status        string
	Facts         []Fact // procedure, eye, age band, surgeon's level …
	Recordings    []RecordingTab
	Film          Film
	At            annotate.Time // where the film opens, from ?t=
	Stages        []Stage       // of the recording shown
	Record        []Entry       // the running record, in order
	Factors       []Factor
	Plan          []PlanLine
	Settings      []Setting
	Teaching      []Moment
	Decisions     []Decision
	Complications []Moment
	Hindsight     string
	Outcome       []Visit
	Stills        []Still
	Exports       []Export
	Audience      string // the widest that the consent allows: "own unit"; "" where no consent is known
	Withdrawn     bool
	CanWrite      bool
	Unknown       []string // words of the case that the vocabulary does not know; for those who write
}

// Fact is a label and its value.
type Fact struct{ Label, Value string }

// RecordingTab is one of the recordings of a case.
type RecordingTab struct {
	ID, Label string // "r2", "theatre camera"
	Length    annotate.Time
	Current   bool
}

// Film is the recording on the screen. The zero Film is a case without one.
type Film struct {
	Recording string // "" where the case has no film
	State     string // waiting, working, ready, failed
	Say       string // failed: why, and what to do
	Done      float64
	Offset    annotate.Time // of its first frame on the case clock
	Length    annotate.Time
	Rate      annotate.Rate
	Width     int
	Height    int
	Type      string // media type of what is played
	Silent    bool
	Captions  []CaptionTrack
	Covered   bool // discretion, and not yet asked to be shown
	Shown     bool // discretion, and asked to be shown: the page's own links keep to it
}

// CaptionTrack is the captions in one language.
type CaptionTrack struct {
	Language string // "en"
	Label    string // "English"
}

// Entry is one note in the running record.
type Entry struct {
	Note      string // id
	Kind      string // id of the kind
	Recording string
	Span      annotate.Span
	Name      string // of the concept; may be empty
	Words     string
	Facts     []Fact // of its fields: "from", "to"; a setting's values
	Pencilled bool
}

// Factor is a difficulty of the eye or the patient.
type Factor struct {
	Name, Grade string
	Known       string // before, during
}

// PlanLine is an anticipated challenge, what was ready, and what came.
type PlanLine struct {
	Challenge, Strategy string
	StandBy             []StandBy
	Happened            []Moment // empty: nothing of it is recorded
}

// StandBy is something kept ready and, where it was taken, when.
type StandBy struct {
	Name string
	Used []Moment
}

// Setting is one note of machine values.
type Setting struct {
	At        annotate.Time
	Recording string
	Mode      string
	Values    []SettingValue
}

// SettingValue is one parameter: the value used, the surgeon's usual one and
// the change as a fraction of it (see [annotate.RelativeChange]).
type SettingValue struct {
	Name, Used, Usual string
	Change            float64
	Known             bool
}

// Decision is where the plan held or changed.
type Decision struct {
	At                      annotate.Time
	Recording               string
	Name                    string // of its concept; may be empty
	From, To, Sign, Because string
	Words                   string
}

// Visit is how the eye was.
type Visit struct{ When, Acuity, IOP, Words string }

// Still is a photograph of the case.
type Still struct{ ID, When, Words string }

// Export is one format in which the record can be taken away.
type Export struct {
	Format, Name, Help string
	Audience           string // "own unit"
}

// ErrorPage is any answer that is not what was asked for.
type ErrorPage struct {
	Base
	Status    int
	What      string // what happened, to what
	Do        string // what can be done
	Problems  []string
	Reference string // short; also in the log. "" where a person can mend it
}

// SignInPage is "/sign-in". With a Key it offers to use it; without one it says
// how to come by a link.
type SignInPage struct {
	Base
	Key     string // the one-time key of the link
	Next    string // where to go afterwards; sent back as "next"
	Problem string // why the last try did not work
}

// HelpPage is "/help".
type HelpPage struct {
	Base
	Formats []Export
}

func (LibraryPage) template() string { return "library" }
func (RecordPage) template() string  { return "record" }
func (NotePage) template() string    { return "note" }
func (DetailsPage) template() string { return "details" }
func (AddPage) template() string     { return "add" }
func (ErrorPage) template() string   { return "error" }
func (SignInPage) template() string  { return "sign-in" }
func (HelpPage) template() string    { return "help" }

// Kinds gives the table of kinds to the help page.
func (HelpPage) Kinds() []annotate.Kind { return annotate.Kinds() }

// cautions are what must be said beside what the pages show, each where it
// belongs; the words are the same wherever they stand.
var cautions = []struct{ id, words string }{
	{"education", "For education. Not a medical device, and not for clinical decisions."},
	{"settings", "Settings are those of the surgeon, the machine and the eye shown; percentages do not carry over from one machine to another."},
	{"consent", "Check what the consent allows before every export. Where it is not known, it allows nothing."},
	{"identity", "Automatic checks cannot see every identifier: a person must watch the whole film."},
	{"withdrawn", "Consent has been withdrawn: stop using all copies, including those already downloaded."},
	{"vocabulary", "The vocabulary and what it adds to a search are aids to finding; read the original words."},
}

// caution gives one of them to a template.
func caution(id string) (string, error) {
	for _, c := range cautions {
		if c.id == id {
			return c.words, nil
		}
	}
	return "", fmt.Errorf("there is no caution %q", id)
}

// Cautions are all of them.
func (HelpPage) Cautions() []string {
	var out []string
	for _, c := range cautions {
		out = append(out, c.words)
	}
	return out
}

// KindName gives the name of an entry's kind: "teaching point".
func (e Entry) KindName() string {
	k, ok := annotate.KindOf(e.Kind)
	if !ok {
		return e.Kind
	}
	return k.Name
}

// HasFilm says whether there is a recording to show or wait for.
func (f Film) HasFilm() bool { return f.Recording != "" }

// Waiting says whether the film is still being prepared.
func (f Film) Waiting() bool { return f.HasFilm() && (f.State == "waiting" || f.State == "working") }

// Ready says whether the film can be played.
func (f Film) Ready() bool { return f.HasFilm() && f.State == "ready" }

// Percent gives how much of the preparing is done, 0 to 100.
func (f Film) Percent() int { return int(100 * max(0, min(1, f.Done))) }
