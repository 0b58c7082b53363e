package httpd

import (
	"net/http"
	"slices"
	"strconv"
	"strings"

	"github.com/labstack/echo/v4"

	"sideport/annotate"
	"sideport/annotate/consent"
	"sideport/annotate/export"
	"sideport/web"
)

func (s *server) recordPage(c echo.Context) error {
	r, err := s.released(c)
	if err != nil {
		return err
	}
	made, err := s.Library.Prepared(c.Request().Context(), r)
	if err != nil {
		return err
	}
	cs := r.Case()
	at := openAt(c)
	rec, _ := cs.Recording(c.QueryParam("rec"))
	p := web.RecordPage{
		Base: s.base(c, cs.Title), ID: cs.ID, Summary: cs.Summary, Status: string(cs.Status), At: at,
		Facts: s.facts(cs), Stages: s.stagesOf(cs, rec.ID), Hindsight: cs.Hindsight,
		Audience: audienceOf(cs.Consent), Withdrawn: cs.Consent.Withdrawn != "", CanWrite: who(c).viewer.Role.AtLeast(consent.Curator),
	}
	for i, x := range cs.Recordings {
		p.Recordings = append(p.Recordings, web.RecordingTab{ID: x.ID, Label: recordingLabel(x, i), Length: x.Film.Duration, Current: x.ID == rec.ID})
	}
	p.Film = filmOf(rec, made[rec.ID], cs.Discretion && c.QueryParam("shown") == "")
	p.Film.Shown = cs.Discretion && !p.Film.Covered
	p.Film.Shown = cs.Discretion && !p.Film.Covered
	s.notes(&p, cs)
	for _, t := range cs.Terms {
		if t.Unknown() && !slices.Contains(p.Unknown, t.Words) {
			p.Unknown = append(p.Unknown, t.Words)
		}
	}
	s.background(&p, cs)
	p.Exports = exportsOf(cs.Consent)
	return s.render(c, http.StatusOK, p)
}

// openAt is the second that the address names: ?t=421.3, in any of the forms of
// a media fragment.
func openAt(c echo.Context) annotate.Time {
	from, _, ok := annotate.ParseFragment("t=" + c.QueryParam("t"))
	if !ok {
		return 0
	}
	return from
}

func audienceOf(c annotate.Consent) string {
	if c.Audience == annotate.Nobody {
		return ""
	}
	return c.Audience.String()
}

func recordingLabel(r annotate.Recording, i int) string {
	if r.Role != "" {
		return r.Role
	}
	return "recording " + strconv.Itoa(i+1)
}

func filmOf(r annotate.Recording, p annotate.Prepared, covered bool) web.Film {
	if r.ID == "" {
		return web.Film{}
	}
	f := web.Film{Recording: r.ID, State: p.State, Say: p.Say, Done: p.Done, Offset: r.Offset, Length: r.Film.Duration, Rate: r.Film.Rate,
		Type: p.Type, Width: r.Film.Width, Height: r.Film.Height, Silent: r.Film.AudioCodec == "", Covered: covered}
	if f.State == "" {
		f.State = "waiting"
	}
	for _, t := range r.Captions {
		f.Captions = append(f.Captions, web.CaptionTrack{Language: t.Language, Label: languageName(t.Language)})
	}
	return f
}

func languageName(tag string) string {
	if tag == "en" || strings.HasPrefix(tag, "en-") {
		return "English"
	}
	return tag
}

func (s *server) facts(c annotate.Case) []web.Fact {
	var out []web.Fact
	add := func(label, value string) {
		if value != "" {
			out = append(out, web.Fact{Label: label, Value: value})
		}
	}
	add("Procedure", s.label(c.Procedure))
	add("Eye", c.Eye)
	add("Age band", c.Patient.AgeBand)
	add("Sex", c.Patient.Sex)
	add("Surgeon", c.Surgeon)
	if n := c.Length(); n > 0 {
		add("Length", n.Clock())
	}
	return out
}

// stagesOf gives the ribbon of one recording.
func (s *server) stagesOf(c annotate.Case, rec string) []web.Stage {
	var out []web.Stage
	for _, n := range c.OfKind("stage") {
		if r, ok := c.Recording(n.Recording); !ok || r.ID == rec {
			out = append(out, web.Stage{Span: n.Span, Recording: n.Recording, Concept: n.Term.Concept, Name: s.nameOf(n), Pencilled: n.State == annotate.Pencilled})
		}
	}
	return out
}

// nameOf is what a note is called: its concept, or else its words.
func (s *server) nameOf(n annotate.Note) string {
	if t := s.label(n.Term); t != "" {
		return t
	}
	return n.Words
}

// notes fills in the running record and the lists drawn from it.
func (s *server) notes(p *web.RecordPage, c annotate.Case) {
	course := map[string]annotate.Step{}
	for param, steps := range c.Course() {
		for _, st := range steps {
			course[st.Note+"/"+param] = st
		}
	}
	for _, n := range c.Notes {
		e := web.Entry{Note: n.ID, Kind: n.Kind, Recording: n.Recording, Span: n.Span, Name: s.label(n.Term),
			Words: n.Words, Facts: s.factsOf(n), Pencilled: n.State == annotate.Pencilled}
		if n.Kind == "setting" {
			st := s.settingOf(n, course)
			p.Settings = append(p.Settings, st)
			e.Facts = []web.Fact{st.Line()}
		}
		p.Record = append(p.Record, e)
		switch n.Kind {
		case "decision":
			f := n.Fields
			p.Decisions = append(p.Decisions, web.Decision{At: n.Span.From, Recording: n.Recording, Name: s.label(n.Term), From: f["from"].Text,
				To: f["to"].Text, Sign: f["sign"].Text, Because: f["because"].Text, Words: n.Words})
		case "complication":
			p.Complications = append(p.Complications, s.moment(n))
		case "teaching-point":
			p.Teaching = append(p.Teaching, s.moment(n))
		}
	}
}

// moment shows a note as a second and its words.
func (s *server) moment(n annotate.Note) web.Moment {
	words := n.Words
	if name := s.label(n.Term); n.Kind != "teaching-point" && name != "" {
		words = name
		if n.Words != "" {
			words += ": " + n.Words
		}
	}
	return web.Moment{At: n.Span.From, Recording: n.Recording, Kind: kindName(n.Kind), Words: web.Plain(words)}
}

// factsOf puts a note's fields into words, in the order of its kind's table.
func (s *server) factsOf(n annotate.Note) []web.Fact {
	k, _ := annotate.KindOf(n.Kind)
	var out []web.Fact
	for _, f := range k.Fields {
		v := n.Fields[f.ID]
		text := s.label(annotate.Term{Concept: v.Concept, Words: v.Text})
		if f.Type == annotate.QuantitiesField {
			var parts []string
			for _, q := range v.Quantities {
				prm, _ := annotate.ParameterOf(q.Parameter)
				parts = append(parts, strings.ToLower(prm.Label[:1])+prm.Label[1:]+" "+q.String())
			}
			text = strings.Join(parts, ", ")
		}
		if text != "" {
			out = append(out, web.Fact{Label: f.Label, Value: text})
		}
	}
	return out
}

func (s *server) settingOf(n annotate.Note, course map[string]annotate.Step) web.Setting {
	out := web.Setting{At: n.Span.From, Recording: n.Recording, Mode: s.label(annotate.Term{Concept: n.Fields["mode"].Concept, Words: n.Fields["mode"].Text})}
	for _, q := range n.Fields["values"].Quantities {
		st := course[n.ID+"/"+q.Parameter]
		prm, _ := annotate.ParameterOf(q.Parameter)
		v := web.SettingValue{Name: prm.Label, Used: q.String(), Change: st.Change, Known: st.Known}
		if st.Usual.Parameter != "" {
			v.Usual = st.Usual.String()
		}
		out.Values = append(out.Values, v)
	}
	return out
}

// background fills in what does not lie on the clock.
func (s *server) background(p *web.RecordPage, c annotate.Case) {
	for _, f := range c.Factors {
		p.Factors = append(p.Factors, web.Factor{Name: s.label(f.Term), Grade: f.Grade, Known: f.Known})
	}
	for _, l := range c.Plan {
		line := web.PlanLine{Challenge: s.label(l.Challenge), Strategy: l.Strategy, Happened: s.happened(c, l.Challenge.Concept)}
		for _, t := range l.StandBy {
			line.StandBy = append(line.StandBy, web.StandBy{Name: s.label(t), Used: s.happened(c, t.Concept)})
		}
		p.Plan = append(p.Plan, line)
	}
	for _, o := range c.Outcome {
		p.Outcome = append(p.Outcome, web.Visit{When: o.When, Acuity: o.VisualAcuity, IOP: o.IOP, Words: o.Words})
	}
	for _, x := range c.Stills {
		p.Stills = append(p.Stills, web.Still{ID: x.ID, When: x.When, Words: x.Words})
	}
}

// happened finds where a concept of the plan, or a narrower one, was met.
func (s *server) happened(c annotate.Case, concept string) []web.Moment {
	if concept == "" {
		return nil
	}
	ids := append(s.Library.Vocabulary.Narrower(concept), concept)
	var out []web.Moment
	for _, n := range c.Notes {
		if n.Kind != "stage" && slices.Contains(ids, n.Term.Concept) {
			out = append(out, s.moment(n))
		}
	}
	return out
}

// exportsOf is the export menu: each format, for the narrowest audience; empty
// where the consent reaches nobody.
func exportsOf(c annotate.Consent) []web.Export {
	var out []web.Export
	if c.Audience == annotate.Nobody || c.Withdrawn != "" {
		return nil
	}
	for _, f := range export.Formats() {
		out = append(out, web.Export{Format: f.ID, Name: f.Label, Help: f.Help, Audience: annotate.OwnUnit.String()})
	}
	return out
}
