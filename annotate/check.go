package annotate

import (
	"cmp"
	"fmt"
	"regexp"
	"slices"
	"strings"
	"time"
	"unicode"
)

// Limits of a case: what a person could write, with room to spare.
const (
	MaxNotes      = 5_000
	MaxRecordings = 20
	MaxStills     = 100
	MaxItems      = 200   // factors, plan, outcome, stand-by
	MaxWords      = 5_000 // characters of one text
	MaxTitle      = 200
)

// AgeBands are the bands that a patient's age may be given in. Ages over 89
// are one band (45 CFR 164.514(b)(2)(i)(C)).
var ageBands = []string{"0-9", "10-19", "20-29", "30-39", "40-49", "50-59", "60-69", "70-79", "80-89", "90+"}

// Choices are the words that the short fields of a case allow, by path.
func Choices(path string) []string {
	switch path {
	case "eye":
		return []string{"right", "left"}
	case "patient.age_band":
		return ageBands
	case "patient.sex":
		return []string{"female", "male", "other"}
	case "known":
		return []string{"before", "during"}
	case "status":
		return []string{string(Draft), string(InReview), string(Published)}
	case "surgeon":
		return []string{"consultant", "fellow", "trainee"}
	case "specialty":
		return []string{"cataract"}
	}
	return nil
}

// Check finds everything that is wrong with the case, each with its path in
// the words of the case file. Warnings are among them.
func (c *Case) Check() []Problem {
	k := &checker{}
	k.head(c)
	k.recordings(c)
	for i := range c.Notes {
		k.note(c, i)
	}
	twice(k, "recordings", c.Recordings, func(r Recording) string { return r.ID })
	twice(k, "notes", c.Notes, func(n Note) string { return n.ID })
	k.overlaps(c)
	return k.found
}

// SortNotes puts the notes in the order of the running record.
func (c *Case) SortNotes() {
	rank := map[string]int{}
	for i, k := range kinds {
		rank[k.ID] = i
	}
	slices.SortStableFunc(c.Notes, func(a, b Note) int {
		return cmp.Or(cmp.Compare(a.Span.From, b.Span.From), cmp.Compare(rank[a.Kind], rank[b.Kind]),
			cmp.Compare(b.Span.To, a.Span.To), cmp.Compare(a.ID, b.ID))
	})
}

type checker struct{ found []Problem }

func (k *checker) add(path, say string, args ...any) {
	k.found = append(k.found, Problem{Path: path, Say: fmt.Sprintf(say, args...)})
}

func (k *checker) warn(path, say string, args ...any) {
	k.found = append(k.found, Problem{Path: path, Say: fmt.Sprintf(say, args...), Warning: true})
}

// at writes "notes[3]".
func at(list string, i int) string { return fmt.Sprintf("%s[%d]", list, i) }

func (k *checker) head(c *Case) {
	if strings.TrimSpace(c.Title) == "" {
		k.add("title", "a case needs a title: add a line such as title: \"Posterior polar cataract, inside-out\"")
	}
	k.text("title", c.Title, MaxTitle)
	k.text("summary", c.Summary, MaxWords)
	k.text("hindsight", c.Hindsight, MaxWords)
	k.text("procedure", c.Procedure.Words, MaxTitle)
	k.choice("specialty", "specialty", c.Specialty)
	k.choice("eye", "eye", c.Eye)
	k.choice("surgeon", "surgeon", c.Surgeon)
	k.choice("status", "status", string(c.Status))
	k.choice("patient.age_band", "patient.age_band", c.Patient.AgeBand)
	k.choice("patient.sex", "patient.sex", c.Patient.Sex)
	k.consent(c.Consent)
	k.count("factors", len(c.Factors), MaxItems)
	for i, f := range c.Factors {
		p := at("factors", i)
		if f.Term.Zero() {
			k.add(p+".concept", "a factor needs a concept, such as small-pupil")
		}
		k.text(p+".concept", f.Term.Words, MaxTitle)
		k.text(p+".grade", f.Grade, MaxTitle)
		k.choice(p+".known", "known", f.Known)
	}
	k.plan(c.Plan)
	k.outcome(c.Outcome)
}

func (k *checker) plan(plan []Plan) {
	k.count("plan", len(plan), MaxItems)
	for i, p := range plan {
		path := at("plan", i)
		if p.Challenge.Zero() && p.Strategy == "" {
			k.add(path, "a line of the plan needs a challenge or a strategy")
		}
		k.text(path+".challenge", p.Challenge.Words, MaxWords)
		k.text(path+".strategy", p.Strategy, MaxWords)
		k.count(path+".stand_by", len(p.StandBy), MaxItems)
		for j, t := range p.StandBy {
			k.text(at(path+".stand_by", j), t.Words, MaxTitle)
		}
	}
}

func (k *checker) outcome(visits []Outcome) {
	k.count("outcome", len(visits), MaxItems)
	for i, o := range visits {
		p := at("outcome", i)
		if o.When == "" {
			k.add(p+".when", "a visit needs a when, such as day 1")
		}
		if date.MatchString(o.When) {
			k.add(p+".when", "%q is a date; say how long after the operation, as in day 1 or week 4", o.When)
		}
		k.text(p+".when", o.When, MaxTitle)
		k.text(p+".visual_acuity", o.VisualAcuity, MaxTitle)
		k.text(p+".words", o.Words, MaxWords)
		if o.IOP != "" {
			k.iop(p+".iop", o.IOP)
		}
	}
}

// iop is the patient's pressure; limits against typing errors (from memory).
func (k *checker) iop(path, text string) {
	p := Parameter{ID: "o.iop", Label: "Intraocular pressure", Unit: "mmHg", Soft: Range{0, 60}, Hard: Range{0, 100}}
	if _, w, err := ParseQuantity(p, text); err != nil {
		k.add(path, "%v", err)
	} else if w != "" {
		k.warn(path, "%s", w)
	}
}

var date = regexp.MustCompile(`\b\d{4}-\d{2}-\d{2}\b|\b\d{1,2}[./]\d{1,2}[./]\d{2,4}\b`)

func (k *checker) consent(c Consent) {
	if !year.MatchString(c.Obtained) {
		k.day("consent.obtained", c.Obtained)
	}
	k.day("consent.withdrawn", c.Withdrawn)
	k.text("consent.reference", c.Reference, MaxTitle)
	if c.Audience > Nobody && c.Obtained == "" {
		k.add("consent.obtained", "consent for %s needs the day on which it was obtained, as in 2026-03-01", c.Audience)
	}
}

// year stands for the day of consent in what leaves the unit.
var year = regexp.MustCompile(`^\d{4}$`)

func (k *checker) day(path, s string) {
	if s != "" && !validDay(s) {
		k.add(path, "%q is not a day; write year, month and day, as in 2026-03-01", s)
	}
}

func validDay(s string) bool {
	_, err := time.Parse(time.DateOnly, s)
	return err == nil
}

func (k *checker) count(path string, n, most int) {
	if n > most {
		k.add(path, "%d entries are more than the %d that a case may have", n, most)
	}
}

func (k *checker) choice(path, table, got string) {
	if want := Choices(table); got != "" && !slices.Contains(want, got) {
		k.add(path, "%q is not known here; it is one of %s", got, strings.Join(want, ", "))
	}
}

func (k *checker) text(path, s string, most int) {
	if n := len([]rune(s)); n > most {
		k.add(path, "%d characters are more than the %d allowed here", n, most)
	}
	if i := strings.IndexFunc(s, func(r rune) bool {
		return unicode.IsControl(r) && r != '\n' && r != '\t' || r == unicode.ReplacementChar
	}); i >= 0 {
		k.add(path, "the text holds a control character; remove it")
	}
}

func (k *checker) recordings(c *Case) {
	k.count("recordings", len(c.Recordings), MaxRecordings)
	k.count("stills", len(c.Stills), MaxStills)
	k.count("notes", len(c.Notes), MaxNotes)
	for i, r := range c.Recordings {
		p := at("recordings", i)
		k.text(p+".role", r.Role, MaxTitle)
		if r.Offset < -MaxTime || r.Offset > MaxTime {
			k.add(p+".offset", "%v is beyond the %d hours that a film may last", r.Offset, MaxTime/Hour)
		}
	}
	for i, s := range c.Stills {
		k.text(at("stills", i)+".when", s.When, MaxTitle)
		if date.MatchString(s.When) {
			k.add(at("stills", i)+".when", "%q is a date; say how long after the operation, as in day 1", s.When)
		}
		k.text(at("stills", i)+".words", s.Words, MaxWords)
	}
}

// twice finds ids that stand for two things. Those not given yet are the
// business of whoever gives them.
func twice[T any](k *checker, list string, items []T, id func(T) string) {
	seen := map[string]bool{}
	for i, item := range items {
		if s := id(item); s != "" && seen[s] {
			k.add(at(list, i)+".id", "the id %q is taken by another of the %s of this case", s, list)
		}
		seen[id(item)] = true
	}
}

func (k *checker) note(c *Case, i int) {
	n, p := c.Notes[i], at("notes", i)
	kind, ok := KindOf(n.Kind)
	if !ok {
		k.add(p+".kind", "%q is not a kind of note; it is one of %s", n.Kind, kindNames())
		return
	}
	k.times(c, n, kind, p)
	k.text(p+".words", n.Words, MaxWords)
	k.text(p+".concept", n.Term.Words, MaxTitle)
	switch {
	case !n.Term.Zero() && kind.TermKinds == nil:
		k.add(p+".concept", "a %s has no concept; put it into words", kind.Name)
	case kind.Needs == ConceptOrWords && n.Term.Zero() && strings.TrimSpace(n.Words) == "":
		k.add(p, "a %s needs a concept or words", kind.Name)
	case kind.Needs == WordsNeeded && strings.TrimSpace(n.Words) == "":
		k.add(p+".words", "a %s needs words", kind.Name)
	}
	if n.State != Inked && n.State != Pencilled {
		k.add(p+".state", "%q is not a state of a note; it is inked or pencilled", n.State)
	}
	k.fields(n, kind, p)
}

func kindNames() string {
	var names []string
	for _, k := range kinds {
		names = append(names, k.Name)
	}
	return strings.Join(names, ", ")
}

func (k *checker) times(c *Case, n Note, kind Kind, p string) {
	from := p + ".from"
	if kind.Timing == Instants {
		from = p + ".at"
	}
	switch {
	case n.Span.To < n.Span.From:
		k.add(p+".to", "the note ends at %v, before it begins at %v", n.Span.To, n.Span.From)
	case kind.Timing == Spans && n.Span.Instant():
		k.add(p+".to", "a %s needs an end after %v", kind.Name, n.Span.From)
	case kind.Timing == Instants && !n.Span.Instant():
		k.add(p+".to", "a %s has one time, not two; leave out the end", kind.Name)
	}
	r, ok := c.Recording(n.Recording)
	switch {
	case !ok && len(c.Recordings) > 0:
		k.add(p+".recording", "there is no recording %q in this case", n.Recording)
	case ok && r.Film.Duration > 0:
		k.within(n.Span, r, from, p+".to")
	case n.Span.From < min(r.Offset, 0):
		k.add(from, "%v is before the film begins", n.Span.From)
	}
}

// within allows the last note to end with the film's last frame, whose end a
// player may report a little late.
func (k *checker) within(s Span, r Recording, from, to string) {
	film := r.Span()
	switch {
	case s.From < film.From:
		k.add(from, "%v is before the film begins, at %v on the case clock", s.From, film.From)
	case s.From > film.To:
		k.add(from, "%v is after the end of the film, which lasts until %v", s.From, film.To)
	case s.To > film.To+Second:
		k.add(to, "%v is after the end of the film, which lasts until %v", s.To, film.To)
	}
}

func (k *checker) fields(n Note, kind Kind, p string) {
	for id, f := range sorted(n.Fields) {
		field, ok := kind.Field(id)
		if !ok {
			k.add(p+"."+id, "a %s has no field %q", kind.Name, id)
			continue
		}
		if !field.fits(f) {
			k.add(p+"."+id, "%q holds %s and nothing else", strings.ToLower(field.Label), field.Type)
		}
		k.text(p+"."+id, f.Text, MaxWords)
		k.quantities(p+"."+id, f.Quantities)
	}
	for _, f := range kind.Fields {
		got := n.Fields[f.ID]
		if f.Required && got.Text == "" && got.Concept == "" && len(got.Quantities) == 0 {
			k.add(p+"."+f.ID, "a %s needs %q", kind.Name, strings.ToLower(f.Label))
		}
	}
}

func (k *checker) quantities(path string, qs []Quantity) {
	k.count(path, len(qs), len(parameters))
	for _, q := range qs {
		prm, ok := ParameterOf(q.Parameter)
		if !ok {
			k.add(path, "%q is not a parameter known here", q.Parameter)
			continue
		}
		if w, err := prm.Check(q); err != nil {
			k.add(path, "%v", err)
		} else if w != "" {
			k.warn(path, "%s", w)
		}
	}
}

// overlaps holds notes of an exclusive kind against each other, by recording.
func (k *checker) overlaps(c *Case) {
	type key struct{ kind, recording string }
	groups := map[key][]int{}
	for i, n := range c.Notes {
		kind, ok := KindOf(n.Kind)
		if r, found := c.Recording(n.Recording); ok && kind.Exclusive && n.State == Inked {
			name := n.Recording
			if found {
				name = r.ID
			}
			groups[key{kind.ID, name}] = append(groups[key{kind.ID, name}], i)
		}
	}
	for _, g := range groups {
		slices.SortStableFunc(g, func(a, b int) int { return cmp.Compare(c.Notes[a].Span.From, c.Notes[b].Span.From) })
		a := c.Notes[g[0]] // of those before, the one that lasts longest
		for _, i := range g[1:] {
			b := c.Notes[i]
			if a.Span.Overlaps(b.Span) {
				k.add(at("notes", i)+".from", "this %s begins at %v, before the one from %v ends; let one end where the other begins", b.Kind, b.Span.From, a.Span)
			}
			if b.Span.To > a.Span.To {
				a = b
			}
		}
	}
	slices.SortStableFunc(k.found, func(a, b Problem) int { return cmp.Compare(a.Path, b.Path) })
}
