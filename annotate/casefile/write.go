package casefile

import (
	"cmp"
	"fmt"
	"io"
	"slices"
	"strconv"

	"sideport/annotate"
	"sideport/annotate/terms"
)

// Write writes the case in its one canonical form: keys in a fixed order, notes
// in the order of the running record, files by their canonical names.
func Write(w io.Writer, c annotate.Case, v *terms.Vocabulary) error {
	wr := writer{v: v, c: c}
	notes, err := wr.notes()
	if err != nil {
		return err
	}
	top := object{}.
		text("title", c.Title).text("summary", c.Summary).text("specialty", c.Specialty).
		add("procedure", wr.term(c.Procedure, procedureKinds)).text("surgeon", c.Surgeon).text("eye", c.Eye).
		add("patient", object{}.text("age_band", c.Patient.AgeBand).text("sex", c.Patient.Sex)).
		add("factors", each(c.Factors, wr.factor)).add("plan", each(c.Plan, wr.plan)).
		add("recordings", each(c.Recordings, wr.recording)).add("stills", each(c.Stills, still)).
		add("notes", notes).text("hindsight", c.Hindsight).add("outcome", each(c.Outcome, visit)).
		add("consent", consent(c.Consent))
	if c.Discretion {
		top = top.add("discretion", raw("true"))
	}
	top = top.text("status", cmp.Or(string(c.Status), string(annotate.Draft)))
	_, err = io.WriteString(w, top.lines())
	return err
}

type writer struct {
	v *terms.Vocabulary
	c annotate.Case
}

func each[T any](items []T, form func(int, T) object) list {
	var out list
	for i, item := range items {
		out = append(out, form(i, item))
	}
	return out
}

// term is words where words say it all, else concept and words apart.
func (w writer) term(t annotate.Term, kinds []string) value {
	concept, said := written(w.v, t, kinds)
	if said == "" {
		return words(concept)
	}
	return object{}.text("concept", concept).text("said", said)
}

// concept puts the parts of a term into an object that has other parts.
func (w writer) concept(o object, t annotate.Term, kinds []string) object {
	concept, said := written(w.v, t, kinds)
	return o.text("concept", concept).text("said", said)
}

func (w writer) factor(_ int, f annotate.Factor) object {
	return w.concept(object{}, f.Term, factorKinds).text("grade", f.Grade).text("known", f.Known)
}

func (w writer) plan(_ int, p annotate.Plan) object {
	var standBy list
	for _, t := range p.StandBy {
		standBy = append(standBy, w.term(t, standByKinds))
	}
	return object{}.add("challenge", w.term(p.Challenge, challengeKinds)).text("strategy", p.Strategy).add("stand_by", standBy)
}

func (w writer) recording(i int, r annotate.Recording) object {
	o := object{}.text("file", RecordingFile(i, r.Film.Container))
	if len(r.Captions) == 1 && trackLanguage(r.Captions[0]) == DefaultLanguage {
		o = o.text("captions", CaptionsFile(i, r, 0))
	} else {
		var tracks list
		for j, t := range r.Captions {
			tracks = append(tracks, object{}.text("file", CaptionsFile(i, r, j)).text("language", trackLanguage(t)))
		}
		o = o.add("captions", tracks)
	}
	o = o.text("role", r.Role)
	if r.Offset != 0 {
		o = o.add("offset", raw(strconv.FormatFloat(r.Offset.Seconds(), 'f', -1, 64)+"s"))
	}
	return o
}

func still(i int, s annotate.Still) object {
	return object{}.text("file", StillFile(i)).text("when", s.When).text("words", s.Words)
}

func visit(_ int, o annotate.Outcome) object {
	return object{}.text("when", o.When).text("visual_acuity", o.VisualAcuity).text("iop", o.IOP).text("words", o.Words)
}

func consent(c annotate.Consent) object {
	if c == (annotate.Consent{}) {
		return nil
	}
	return object{}.text("audience", c.Audience.String()).text("obtained", c.Obtained).text("reference", c.Reference).text("withdrawn", c.Withdrawn)
}

func (w writer) notes() (list, error) {
	rank := map[string]int{}
	for i, k := range annotate.Kinds() {
		rank[k.ID] = i
	}
	// Unlike Case.SortNotes this keeps to the order given where all else is
	// equal: the ids that SortNotes goes by then are not in the file.
	sorted := slices.Clone(w.c.Notes)
	slices.SortStableFunc(sorted, func(a, b annotate.Note) int {
		return cmp.Or(cmp.Compare(a.Span.From, b.Span.From), cmp.Compare(rank[a.Kind], rank[b.Kind]), cmp.Compare(b.Span.To, a.Span.To))
	})
	var out list
	for _, n := range sorted {
		o, err := w.note(n)
		if err != nil {
			return nil, err
		}
		out = append(out, o)
	}
	return out, nil
}

func (w writer) note(n annotate.Note) (object, error) {
	k, ok := annotate.KindOf(n.Kind)
	if !ok {
		return nil, fmt.Errorf("write note %s: %q is not a kind of note", n.ID, n.Kind)
	}
	o := w.concept(object{}.text("kind", k.Name), n.Term, k.TermKinds)
	if n.Span.Instant() || timeless(k) {
		o = o.add("at", clock(n.Span.From))
	} else {
		o = o.add("from", clock(n.Span.From)).add("to", clock(n.Span.To))
	}
	for _, f := range k.Fields {
		o = o.add(f.ID, w.fact(n.Fields[f.ID], f))
	}
	o = o.text("words", n.Words)
	for i, r := range w.c.Recordings {
		if i > 0 && r.ID == n.Recording {
			o = o.text("recording", RecordingFile(i, r.Film.Container))
		}
	}
	if n.State != annotate.Inked {
		o = o.text("state", string(n.State))
	}
	return o, nil
}

// clock is a time, in quotes: 02:20 is a number to some readers of YAML.
func clock(t annotate.Time) value { return raw(strconv.Quote(t.String())) }

func (w writer) fact(f annotate.Fact, field annotate.Field) value {
	switch field.Type {
	case annotate.QuantitiesField:
		var o object
		for _, q := range f.Quantities {
			o = o.add(parameterKey(q.Parameter), quantity(q))
		}
		return o
	case annotate.TermField:
		t := annotate.Term{Concept: f.Concept, Words: f.Text}
		if c, ok := w.v.Concept(f.Concept); ok && tidy(f.Text) == c.Term {
			t.Words = ""
		}
		return w.term(t, field.TermKinds)
	}
	return words(f.Text)
}

func quantity(q annotate.Quantity) value {
	if q.Unit == "" {
		return raw(q.String()) // a bare figure
	}
	return words(q.String())
}
