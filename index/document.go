package index

import (
	"encoding/json"
	"fmt"
	"slices"
	"strings"

	"sideport/annotate"
	"sideport/annotate/terms"
)

// evidence is what a document says: values by field.
type evidence map[string][]string

func (e evidence) add(field string, values ...string) {
	for _, v := range values {
		if v != "" && (strings.HasPrefix(field, "t") || field == fRaw || field == fRawP || field == fWords || !slices.Contains(e[field], v)) {
			e[field] = append(e[field], v)
		}
	}
}

// join adds all of o to e.
func (e evidence) join(o evidence) {
	for field, values := range o {
		e.add(field, values...)
	}
}

// body is what is kept of a moment to show it.
type body struct {
	Note      string        `json:"n,omitempty"`
	Kind      string        `json:"k"`
	Recording string        `json:"r,omitempty"`
	At        annotate.Time `json:"t"`
	Text      string        `json:"x"`
	Starts    []start       `json:"s,omitempty"` // of the captions within
	Named     []named       `json:"m,omitempty"` // what the text names, to mark it
}

// named is a stretch of a moment's text that names one of some concepts.
type named struct {
	From     int      `json:"f"`
	To       int      `json:"t"`
	Concepts []string `json:"c"`
}

// start says where in the text of a passage a caption begins, and when.
type start struct {
	Offset int           `json:"o"`
	At     annotate.Time `json:"t"`
}

// moment is a document in the making.
type moment struct {
	body
	said      evidence
	pencilled bool
}

// maker makes the documents of one case.
type maker struct {
	v       *terms.Vocabulary
	moments []moment
}

// concept adds a concept with all that is broader.
func (k *maker) concept(e evidence, field, id string) {
	if id != "" {
		e.add(field, id)
		e.add(field, k.v.Broader(id)...)
	}
}

// term adds a term as a curator's choice. Its words are read too: "toric
// marking" says toric, and words that the vocabulary does not know as a whole
// may still name something.
func (k *maker) term(e evidence, t annotate.Term) {
	k.concept(e, fStated, t.Concept)
	k.words(e, fSaid, tStated, t.Words)
	if t.Concept != "" {
		name := terms.Normalise(k.v.Label(annotate.Term{Concept: t.Concept}))
		e.add(fRaw, name)
		e.add(fWords, name)
	}
}

// words reads a text: the concepts that it names go into one field, its words
// into another, save those that are denied. It gives what is named where.
func (k *maker) words(e evidence, concepts, field, text string) []named {
	if strings.TrimSpace(text) == "" {
		return nil
	}
	doubtful, scan := fDoubtful, k.v.Scan
	if field == tSpoken {
		doubtful, scan = fSpoken, k.v.ScanHeard
	}
	matches := scan(text)
	no := denied(text, matches)
	kept, all := []byte(text), terms.Normalise(text)
	var out []named
	for i, m := range matches {
		if no[i] {
			copy(kept[m.From:m.To], strings.Repeat(" ", m.To-m.From))
			continue
		}
		out = append(out, named{m.From, m.To, m.Concepts})
		into := concepts
		if m.Ambiguous {
			into = doubtful
		}
		for _, id := range m.Concepts {
			k.concept(e, into, id)
		}
	}
	e.add(fRaw, all)
	if slices.Contains(no, true) {
		all = terms.Normalise(string(kept))
	}
	e.add(field, all)
	if field != tSpoken {
		e.add(fWords, all)
	}
	return out
}

// documents makes all documents of a case: the case's own and its moments'.
func documents(c *annotate.Case, v *terms.Vocabulary) (evidence, []moment) {
	k := &maker{v: v}
	k.head(c)
	for _, n := range c.Notes {
		k.note(n)
	}
	for _, r := range c.Recordings {
		for _, t := range r.Captions {
			k.captions(r, t)
		}
	}
	whole := evidence{}
	for _, m := range k.moments {
		whole.join(m.said)
	}
	k.words(whole, fStated, tStated, c.Title)
	k.term(whole, c.Procedure)
	scopes := scopesOf(c)
	whole.add(fType, typeCase)
	whole.add(fCase, c.ID)
	whole.add(fScope, scopes...)
	whole.add(fTitle, terms.Normalise(c.Title))
	for _, f := range facets {
		for _, id := range f.values(c) {
			whole.add(f.directField(), id)
			k.concept(whole, f.field(), id)
		}
	}
	for i := range k.moments {
		m := &k.moments[i]
		if m.Kind != captionKind {
			m.Named = k.words(evidence{}, fSaid, tSaid, m.Text)
		}
		said := m.said
		said.add(fType, typeMoment)
		said.add(fCase, c.ID)
		said.add(fScope, scopes...)
		if m.pencilled {
			said[fScope] = []string{scopeAll}
		}
	}
	return whole, k.moments
}

// scopesOf says in which scopes a case is found; none: it is not indexed.
func scopesOf(c *annotate.Case) []string {
	if c.Consent.Withdrawn != "" {
		return nil
	}
	out := []string{scopeAll}
	if c.Status == annotate.Published {
		for a := annotate.OwnUnit; a <= min(c.Consent.Audience, annotate.Public); a++ {
			out = append(out, a.String())
		}
	}
	return out
}

func (k *maker) add(b body, said evidence) {
	if b.Text != "" {
		k.moments = append(k.moments, moment{body: b, said: said})
	}
}

// head makes moments of what is said of the whole case. They stand where the
// first film begins.
func (k *maker) head(c *annotate.Case) {
	first, _ := c.Recording("")
	at := body{Recording: first.ID, At: first.Offset}
	add := func(kind, text string, e evidence) {
		at.Kind, at.Text = kind, text
		k.add(at, e)
	}
	for _, s := range []struct{ kind, text string }{{"summary", c.Summary}, {"hindsight", c.Hindsight}} {
		e := evidence{}
		k.words(e, fSaid, tSaid, s.text)
		add(s.kind, s.text, e)
	}
	for _, f := range c.Factors {
		e := evidence{}
		k.term(e, f.Term)
		k.words(e, fSaid, tStated, f.Grade)
		add("factor", sentence(": ", k.v.Label(f.Term), f.Grade), e)
	}
	for _, p := range c.Plan {
		e := evidence{}
		k.term(e, p.Challenge)
		k.words(e, fSaid, tSaid, p.Strategy)
		var ready []string
		for _, t := range p.StandBy {
			k.concept(e, fDoubtful, t.Concept)
			k.words(e, fDoubtful, tSaid, t.Words)
			ready = append(ready, k.v.Label(t))
		}
		add("plan", sentence(". Ready: ", sentence(": ", k.v.Label(p.Challenge), p.Strategy), strings.Join(ready, ", ")), e)
	}
	for _, o := range c.Outcome {
		e := evidence{}
		text := sentence(", ", o.VisualAcuity, o.IOP)
		text = sentence(": ", o.When, sentence(". ", text, o.Words))
		k.words(e, fSaid, tSaid, text)
		add("outcome", text, e)
	}
}

// note makes the moment of a note. A pencilled one is kept apart, for curators.
func (k *maker) note(n annotate.Note) {
	e := evidence{}
	k.term(e, n.Term)
	k.words(e, fSaid, tSaid, n.Words)
	text := []string{sentence(": ", k.v.Label(n.Term), n.Words)}
	kind, _ := annotate.KindOf(n.Kind)
	for _, f := range kind.Fields {
		fact := n.Fields[f.ID]
		said := fact.Text
		if said == "" && fact.Concept != "" {
			said = k.v.Label(annotate.Term{Concept: fact.Concept})
		}
		k.concept(e, fSaid, fact.Concept)
		k.words(e, fSaid, tSaid, said)
		var all []string
		for _, q := range fact.Quantities {
			k.concept(e, fSaid, q.Parameter)
			name := k.v.Label(annotate.Term{Concept: q.Parameter})
			if p, ok := annotate.ParameterOf(q.Parameter); ok {
				name = p.Label
			}
			all = append(all, name+" "+q.String())
		}
		e.add(tSaid, terms.Normalise(strings.Join(all, ", ")))
		if said = sentence(", ", said, strings.Join(all, ", ")); said != "" {
			text = append(text, f.Label+": "+said)
		}
	}
	b := body{Note: n.ID, Kind: n.Kind, Recording: n.Recording, At: n.Span.From, Text: sentence(". ", text...)}
	if n.State == annotate.Pencilled {
		k.moments = append(k.moments, moment{body: b, said: e.pencilled(), pencilled: true})
		return
	}
	k.add(b, e)
}

// pencilled moves all that e says into the fields that only curators search.
func (e evidence) pencilled() evidence {
	out := evidence{}
	for field, values := range e {
		switch field {
		case fRaw:
			out.add(fRawP, values...)
		case tStated, tSaid:
			out.add(tPencil, values...)
		case fStated, fSaid, fDoubtful:
			out.add(fPencil, values...)
		}
	}
	return out
}

// sentence joins what is not empty; a full stop is not written twice.
func sentence(by string, parts ...string) string {
	parts = slices.DeleteFunc(parts, func(s string) bool { return s == "" })
	for i := range parts {
		if i < len(parts)-1 {
			parts[i] = strings.TrimSuffix(parts[i], by[:1])
		}
	}
	return strings.Join(parts, by)
}

// A passage of captions ends after this much talk, or at a pause.
const (
	passageLength = 20 * annotate.Second
	passagePause  = 5 * annotate.Second
)

// captions makes moments of passages: a few captions that run on.
func (k *maker) captions(r annotate.Recording, t annotate.Track) {
	var text strings.Builder
	var b body
	flush := func() {
		e := evidence{}
		b.Text = text.String()
		b.Named = k.words(e, fSpoken, tSpoken, b.Text)
		k.add(b, e)
		text.Reset()
		b = body{}
	}
	var last annotate.Span
	for _, cue := range t.Cues {
		at := r.Offset + cue.Span.From
		if text.Len() > 0 && (at-b.At > passageLength || cue.Span.From-last.To > passagePause) {
			flush()
		}
		if text.Len() == 0 {
			b = body{Kind: captionKind, Recording: r.ID, At: at}
		} else {
			text.WriteByte(' ')
		}
		b.Starts = append(b.Starts, start{text.Len(), at})
		text.WriteString(strings.Join(strings.Fields(cue.Text), " "))
		last = cue.Span
	}
	flush()
}

const (
	captionKind = "caption"
	wholeClass  = "whole" // what is said of the case, at no second of its own
)

// class is what a moment's weight goes by: its kind, unless it has no second.
func (m moment) class() string {
	if m.Note == "" && m.Kind != captionKind {
		return wholeClass
	}
	return m.Kind
}

// weightOf is how much a moment of a class counts, against 1 for a remark. What
// has a second of film comes before what has none.
func weightOf(class string) float64 {
	switch class {
	case captionKind:
		return 0.6
	case wholeClass:
		return 0.3
	}
	k, _ := annotate.KindOf(class)
	return k.Weight
}

// idOf names a moment's document so that its case and class can be read from it.
func idOf(caseID string, n int, class string) string {
	return fmt.Sprintf("%s\x00%06d\x00%s", caseID, n, class)
}

// fields gives the document as the index takes it.
func (m moment) fields() (map[string]any, error) {
	b, err := json.Marshal(m.body)
	if err != nil {
		return nil, fmt.Errorf("write moment: %w", err)
	}
	out := m.said.fields()
	out[fBody] = string(b)
	return out, nil
}

func (e evidence) fields() map[string]any {
	out := make(map[string]any, len(e)+1)
	for field, values := range e {
		out[field] = values
	}
	return out
}
