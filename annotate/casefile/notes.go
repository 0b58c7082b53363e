package casefile

import (
	"fmt"
	"maps"
	"slices"
	"strings"

	"go.yaml.in/yaml/v3"

	"sideport/annotate"
)

// notes reads the notes, and lets a stage without an end last until the next
// begins. c has the recordings already.
func (r *reader) notes(n *yaml.Node, c annotate.Case) []annotate.Note {
	var out []annotate.Note
	var open []int
	items := r.items(n, "notes", annotate.MaxNotes)
	for i, item := range items {
		note, ended := r.note(item, at("notes", i), c)
		note.ID = fmt.Sprintf("n%d", i+1)
		if !ended {
			open = append(open, i)
		}
		out = append(out, note)
	}
	r.close(items, out, open)
	return out
}

// close ends the notes at open where the next of their kind, recording and
// state begins.
func (r *reader) close(items []*yaml.Node, notes []annotate.Note, open []int) {
	type key struct {
		kind, recording string
		state           annotate.State
	}
	of := func(n annotate.Note) key { return key{n.Kind, n.Recording, n.State} }
	begins := map[key][]annotate.Time{}
	for _, n := range notes {
		begins[of(n)] = append(begins[of(n)], n.Span.From)
	}
	for _, ts := range begins {
		slices.Sort(ts)
	}
	for _, i := range open {
		n := &notes[i]
		ts := begins[of(*n)]
		j, _ := slices.BinarySearch(ts, n.Span.From+1)
		if j < len(ts) {
			n.Span.To = ts[j]
			continue
		}
		r.fail(items[i], at("notes", i)+".to", "the last %s of a recording needs an end: add to: with its time, as in to: \"%v\"", n.Kind, n.Span.From+annotate.Minute)
	}
}

// keysOf are the keys of a kind's notes. Where a kind has fields called from or
// to, its time is only called at.
func keysOf(k annotate.Kind) []string {
	keys := []string{"kind", "concept", "said", "at"}
	if !timeless(k) {
		keys = append(keys, "from", "to")
	}
	for _, f := range k.Fields {
		keys = append(keys, f.ID)
	}
	return append(keys, "words", "recording", "state")
}

func timeless(k annotate.Kind) bool {
	_, from := k.Field("from")
	_, to := k.Field("to")
	return from || to
}

// kindOf reads the kind, which decides on the other keys.
func (r *reader) kindOf(item *yaml.Node, path string) (annotate.Kind, bool) {
	if item.Kind != yaml.MappingNode {
		r.fail(item, path, "%s stands where a note is expected; write it as in {kind: stage, concept: hydrodissection, from: \"02:20\", to: \"03:00\"}", what(item))
		return annotate.Kind{}, false
	}
	for i := 0; i+1 < len(item.Content); i += 2 {
		if item.Content[i].Value != "kind" {
			continue
		}
		p := path + ".kind"
		name := r.text(item.Content[i+1], p)
		k, ok := annotate.KindOf(strings.ReplaceAll(name, "_", "-"))
		if !ok && item.Content[i+1].Kind == yaml.ScalarNode {
			var names []string
			for _, k := range annotate.Kinds() {
				names = append(names, k.Name)
			}
			r.fail(item.Content[i+1], p, "%q is not a kind of note; %s", clip(name), r.meant(name, names))
		}
		return k, ok
	}
	r.fail(item, path+".kind", "a note needs a kind, as in kind: stage")
	return annotate.Kind{}, false
}

// note reads one note; ended is false for one that has still to be given its end.
func (r *reader) note(item *yaml.Node, path string, c annotate.Case) (n annotate.Note, ended bool) {
	k, ok := r.kindOf(item, path)
	if !ok {
		return n, true
	}
	m := r.fields(item, path, "a "+k.Name, keysOf(k)...)
	n = annotate.Note{
		Kind:      k.ID,
		Recording: r.recordingOf(m["recording"], path+".recording", c),
		Term:      r.named(m["concept"], m["said"], path+".concept", k.TermKinds),
		Words:     r.text(m["words"], path+".words"),
		State:     annotate.State(r.choice(m["state"], path+".state")),
	}
	if n.State == "" {
		n.State = annotate.Inked
	}
	for _, f := range k.Fields {
		v := m[f.ID]
		if timeless(k) || f.ID != "from" && f.ID != "to" {
			if fact, ok := r.fact(v, path+"."+f.ID, f); ok {
				if n.Fields == nil {
					n.Fields = map[string]annotate.Fact{}
				}
				n.Fields[f.ID] = fact
			}
		}
	}
	n.Span, ended = r.span(item, m, path, k)
	return n, ended
}

// span reads from and to, or at.
func (r *reader) span(item *yaml.Node, m map[string]*yaml.Node, path string, k annotate.Kind) (s annotate.Span, ended bool) {
	from, to, instant := m["from"], m["to"], m["at"]
	if timeless(k) {
		from, to = nil, nil
	}
	switch {
	case instant != nil && (from != nil || to != nil):
		r.fail(instant, path+".at", "a note has either at, or from and to; leave one out")
	case instant != nil:
		return annotate.At(r.time(instant, path+".at")), true
	case from == nil && k.Timing == annotate.Spans:
		r.fail(item, path+".from", "a %s needs a time: add from: and to:, as in from: \"02:20\", to: \"03:00\"", k.Name)
	case from == nil:
		r.fail(item, path+".at", "a %s needs a time: add at:, as in at: \"02:20\"", k.Name)
	default:
		s = annotate.At(r.time(from, path+".from"))
		if to != nil {
			s.To = r.time(to, path+".to")
		}
		return s, to != nil || k.Timing != annotate.Spans
	}
	return s, true
}

// recordingOf finds the recording that a note names by its file; the first
// where it names none.
func (r *reader) recordingOf(n *yaml.Node, path string, c annotate.Case) string {
	if null(n) {
		if len(c.Recordings) == 0 {
			return ""
		}
		return c.Recordings[0].ID
	}
	name := r.text(n, path)
	id, ok := r.films[name]
	if !ok && n.Kind == yaml.ScalarNode {
		r.fail(n, path, "no recording of this case has the file %q; %s", clip(name), r.meant(name, slices.Sorted(maps.Keys(r.films))))
	}
	return id
}

// fact reads one field of a note; false where it says nothing.
func (r *reader) fact(n *yaml.Node, path string, f annotate.Field) (annotate.Fact, bool) {
	var out annotate.Fact
	switch f.Type {
	case annotate.QuantitiesField:
		out.Quantities = r.quantities(n, path)
	case annotate.TermField:
		t := r.termOf(n, path, f.TermKinds)
		out = annotate.Fact{Concept: t.Concept, Text: t.Words}
		if c, ok := r.v.Concept(t.Concept); ok && t.Words == "" {
			out.Text = c.Term // the words are what is shown of it
		}
	default:
		out.Text = r.text(n, path)
	}
	return out, out.Text != "" || out.Concept != "" || len(out.Quantities) > 0
}

func (r *reader) quantities(n *yaml.Node, path string) []annotate.Quantity {
	if null(n) {
		return nil
	}
	if n.Kind != yaml.MappingNode {
		r.fail(n, path, "%s stands where values are expected; write them as in {vacuum: 120 mmHg, flow: 18 mL/min}", what(n))
		return nil
	}
	var out []annotate.Quantity
	for i := 0; i+1 < len(n.Content); i += 2 {
		key, value := n.Content[i], n.Content[i+1]
		p := under(path, key.Value)
		prm, ok := parameter(r.v, key.Value)
		switch {
		case !ok:
			r.fail(key, p, "%q is not a parameter known here; %s", clip(key.Value), r.meant(key.Value, parameterNames()))
			continue
		case slices.ContainsFunc(out, func(q annotate.Quantity) bool { return q.Parameter == prm.ID }):
			r.fail(key, p, "%s is here twice; keep one", prm.Label)
			continue
		}
		text := r.text(value, p)
		if value.Kind != yaml.ScalarNode {
			continue
		}
		q, _, err := annotate.ParseQuantity(prm, text) // what is unusual, the check of the case says
		if err != nil {
			r.fail(value, p, "%v", err)
			continue
		}
		out = append(out, q)
	}
	return out
}

func parameterNames() []string {
	var names []string
	for _, p := range annotate.Parameters() {
		names = append(names, parameterKey(p.ID))
	}
	return names
}
