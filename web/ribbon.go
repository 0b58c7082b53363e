package web

import (
	"cmp"
	"net/url"
	"slices"
	"strconv"
	"strings"

	"sideport/annotate"
)

// Ribbon is the stages of a film in proportion to its length. Places and widths
// are in per cent, as text, ready for SVG attributes.
type Ribbon struct {
	Parts []Part
	Span  annotate.Span // what the whole ribbon stands for
	Words string        // the whole in words, for those who do not see it
}

// Part is a stage of a ribbon, or a gap of some length between two.
type Part struct {
	X, Width  string // "12.5%"
	Name      string
	Span      annotate.Span
	Recording string
	Family    Family
	Gap       bool
	Named     bool // wide enough to carry its name at the film's width
	Pencilled bool
}

// Len is how long the part lasts.
func (p Part) Len() annotate.Time { return p.Span.Len() }

// Family groups stages that belong together, so that a ribbon needs few
// colours. Each family has a colour and a hatching of its own.
type Family struct {
	ID   string // its class and pattern in the styles
	Name string
}

// Families are the groups of stages in the order of an operation.
func Families() []Family { return families[:] }

var families = [...]Family{
	{"way-in", "Way in"},
	{"chamber", "Chamber and pupil"},
	{"capsule", "Capsule"},
	{"lens", "Lens"},
	{"cortex", "Cortex"},
	{"implant", "Implant"},
	{"rescue", "Vitreous and iris"},
	{"closing", "Closing"},
	{"other", "Other"},
}

// familyOf maps stage concepts to families; what is not named is "other".
var familyOf = map[string]string{
	"st.anaesthesia": "way-in", "st.prep-drape": "way-in", "st.axis-marking": "way-in",
	"st.paracentesis": "way-in", "st.main-incision": "way-in", "st.peritomy": "way-in",
	"st.cautery": "way-in", "st.scleral-groove": "way-in", "st.scleral-tunnel": "way-in",
	"st.internal-entry": "way-in",
	"st.ovd-injection":  "chamber", "st.capsule-staining": "chamber", "st.pupil-expansion": "chamber",
	"st.synechiolysis": "chamber", "st.membrane-peel": "chamber", "st.miotic": "chamber",
	"st.capsulorhexis": "capsule", "st.posterior-rhexis": "capsule", "st.ctr-insertion": "capsule",
	"st.hydrodissection": "lens", "st.hydrodelineation": "lens", "st.nucleus-rotation": "lens",
	"st.nucleus-removal": "lens", "st.sculpting": "lens", "st.cracking": "lens", "st.chopping": "lens",
	"st.segment-removal": "lens", "st.epinucleus": "lens", "st.nucleus-prolapse": "lens",
	"st.nucleus-delivery": "lens",
	"st.cortex":           "cortex", "st.capsule-polish": "cortex",
	"st.iol-insertion": "implant", "st.iol-positioning": "implant", "st.iol-fixation": "implant",
	"st.anterior-vitrectomy": "rescue", "st.iridectomy": "rescue", "st.iris-repair": "rescue",
	"st.ovd-removal": "closing", "st.wound-closure": "closing", "st.suturing": "closing",
	"st.intracameral-abx": "closing", "st.conj-closure": "closing",
}

func stageFamily(concept string) Family {
	id := cmp.Or(familyOf[concept], "other")
	return families[slices.IndexFunc(families[:], func(f Family) bool { return f.ID == id })]
}

// minGap is the shortest unmarked stretch that is worth naming.
const minGap = 5 * annotate.Second

// ribbonOf lays stages out between from and to.
func ribbonOf(stages []Stage, film annotate.Span) Ribbon {
	sorted := slices.SortedStableFunc(slices.Values(stages), func(a, b Stage) int {
		return cmp.Compare(a.Span.From, b.Span.From)
	})
	for _, s := range sorted {
		film.To = max(film.To, s.Span.To)
	}
	if film.Len() <= 0 || len(sorted) == 0 {
		return Ribbon{}
	}
	r := Ribbon{Span: film}
	var words []string
	end := film.From
	for _, s := range sorted {
		if s.Span.From-end >= minGap {
			r.Parts = append(r.Parts, Part{Span: annotate.Span{From: end, To: s.Span.From}, Gap: true})
		}
		r.Parts = append(r.Parts, partOf(s, film))
		words = append(words, s.Name+" "+s.Span.Len().Clock())
		end = max(end, s.Span.To)
	}
	if film.To-end >= minGap {
		r.Parts = append(r.Parts, Part{Span: annotate.Span{From: end, To: film.To}, Gap: true})
	}
	r.Words = "Stages in proportion: " + strings.Join(words, ", ")
	return r
}

// nameRoom is the share of a ribbon that one character of a name takes where
// the ribbon is as wide as a film on a desk.
const nameRoom = 0.0105

func partOf(s Stage, film annotate.Span) Part {
	share := float64(s.Span.Len()) / float64(film.Len())
	return Part{
		X: perCent(float64(s.Span.From-film.From) / float64(film.Len())), Width: perCent(share),
		Name: s.Name, Span: s.Span, Recording: s.Recording, Family: stageFamily(s.Concept),
		Named: share > nameRoom*float64(len([]rune(s.Name))+2), Pencilled: s.Pencilled,
	}
}

func perCent(f float64) string { return strconv.FormatFloat(100*f, 'f', 3, 64) + "%" }

// Ribbon lays out the stages of the recording that is shown.
func (p RecordPage) Ribbon() Ribbon {
	return ribbonOf(p.Stages, annotate.Span{From: p.Film.Offset, To: p.Film.Offset + p.Film.Length})
}

// Ribbon lays out the stages of the case.
func (r CaseRow) Ribbon() Ribbon { return ribbonOf(r.Stages, annotate.Span{To: r.Length}) }

// URL is the address of a second of the case.
func (r CaseRow) URL(recording string, at annotate.Time) string {
	return MomentURL(r.ID, recording, at)
}

// URL is the address of a second of the case; the recording is named where
// there is more than one.
func (p RecordPage) URL(recording string, at annotate.Time) string {
	if len(p.Recordings) < 2 {
		recording = ""
	} else if recording == "" {
		recording = p.Recordings[0].ID
	}
	u := MomentURL(p.ID, recording, at)
	if p.Film.Shown {
		u += "&shown=1"
	}
	return u
}

// MomentURL is the address of a second of a case; recording "" is the first.
func MomentURL(id, recording string, at annotate.Time) string {
	u := "/cases/" + url.PathEscape(id) + "?t=" + seconds(at)
	if recording != "" {
		u += "&rec=" + url.QueryEscape(recording)
	}
	return u
}
