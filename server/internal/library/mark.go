package library

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"regexp"
	"slices"
	"strings"

	"sideport/annotate"
	"sideport/annotate/consent"
)

// PutNote adds a note to a case (no ID), or changes the one of its ID if it
// still has the rev ifRev (0: whatever it has). Words that name a concept are
// looked up; those that the vocabulary does not know are kept and warned of.
func (l *Library) PutNote(ctx context.Context, v consent.Viewer, caseID string, n annotate.Note, ifRev uint64) (annotate.Note, []annotate.Problem, error) {
	c, err := l.writable(ctx, v, caseID)
	if err != nil {
		return annotate.Note{}, nil, err
	}
	if _, ok := c.Note(n.ID); !ok && n.ID != "" {
		return annotate.Note{}, nil, annotate.Faultf(annotate.Missing, "There is no note %s in case %s; somebody may have removed it.", n.ID, caseID)
	}
	warnings, err := l.understand(&n)
	if err != nil {
		return annotate.Note{}, nil, err
	}
	if n.ID == "" {
		n.ID = l.NewID()
	}
	if n.State == "" {
		n.State = annotate.Inked
	}
	change, err := l.Shelf.Apply(ctx, v.Account, annotate.Edit{Case: caseID, IfRev: ifRev, PutNote: &n})
	if err != nil {
		return annotate.Note{}, nil, onNote(err)
	}
	n.Rev = change.Seq
	return n, warnings, nil
}

// DropNote removes a note.
func (l *Library) DropNote(ctx context.Context, v consent.Viewer, caseID, note string, ifRev uint64) error {
	if _, err := l.writable(ctx, v, caseID); err != nil {
		return err
	}
	_, err := l.Shelf.Apply(ctx, v.Account, annotate.Edit{Case: caseID, IfRev: ifRev, DropNote: note})
	return err
}

// PutHead changes what a case says of itself: all but recordings, stills and notes.
func (l *Library) PutHead(ctx context.Context, v consent.Viewer, c annotate.Case, ifRev uint64) (uint64, []annotate.Problem, error) {
	if _, err := l.writable(ctx, v, c.ID); err != nil {
		return 0, nil, err
	}
	c.Notes, c.Recordings, c.Stills = nil, nil, nil
	c.Factors, c.Plan = slices.Clone(c.Factors), slices.Clone(c.Plan)
	var warnings, bad []annotate.Problem
	for path, t := range c.Terms {
		kinds := []string(nil)
		if strings.HasPrefix(path, "factors") {
			kinds = []string{"factor"}
		}
		sort(l.term(t, path, kinds), &warnings, &bad)
	}
	if len(bad) > 0 {
		return 0, nil, &annotate.Fault{Cause: annotate.Invalid, Say: "Nothing was changed.", Problems: bad}
	}
	change, err := l.Shelf.Apply(ctx, v.Account, annotate.Edit{Case: c.ID, IfRev: ifRev, Head: &c})
	return change.Seq, warnings, err
}

// PutCaptions replaces the captions of a recording in one language, if the case
// still has the rev ifRev; none removes them. It gives the case's new rev.
func (l *Library) PutCaptions(ctx context.Context, v consent.Viewer, caseID, recording string, t annotate.Track, ifRev uint64) (uint64, error) {
	if _, err := l.writable(ctx, v, caseID); err != nil {
		return 0, err
	}
	if !languageForm.MatchString(t.Language) {
		return 0, annotate.Faultf(annotate.Invalid, "%q is not a language tag; write it as in en or pt-BR.", t.Language)
	}
	change, err := l.Shelf.Apply(ctx, v.Account, annotate.Edit{Case: caseID, IfRev: ifRev, Captions: &annotate.CaptionsEdit{Recording: recording, Track: t}})
	return change.Seq, err
}

// languageForm is the shape of a language tag (BCP 47), not its registry.
var languageForm = regexp.MustCompile(`^[A-Za-z]{2,8}(-[A-Za-z0-9]{1,8}){0,6}$`)

// DropCase removes a case, and its files where no other case uses them. A case
// whose consent is withdrawn, which nobody sees any more, a steward can remove.
func (l *Library) DropCase(ctx context.Context, v consent.Viewer, caseID string, ifRev uint64) error {
	if _, err := l.writable(ctx, v, caseID); err != nil && !(annotate.CauseOf(err) == annotate.Missing && v.Role.AtLeast(consent.Steward)) {
		return err
	}
	l.adding.Lock()
	defer l.adding.Unlock()
	c, err := l.Shelf.Case(ctx, caseID)
	if err != nil {
		return err
	}
	made, err := l.Shelf.Prepared(ctx, caseID)
	if err != nil {
		return err
	}
	if _, err := l.Shelf.Apply(ctx, v.Account, annotate.Edit{Case: caseID, IfRev: ifRev, Drop: true}); err != nil {
		return err
	}
	originals, derived := hashes(c, made)
	maps.Copy(originals, derived)
	for h := range originals {
		l.release(ctx, h)
	}
	return nil
}

// release removes a file that no case stands on any more. One that stays by
// mistake is harm that check can find; the change it belongs to is done.
func (l *Library) release(ctx context.Context, hash string) {
	ctx = context.WithoutCancel(ctx)
	used, err := l.used(ctx, hash)
	if err == nil && !used {
		err = l.Files.Remove(hash)
	}
	if err != nil {
		l.Log.WarnContext(ctx, "file left in the vault; check will find it", "hash", short(hash), "err", err)
	}
}

// used says whether any case stands on a file, as an original or as something
// made from one: an exported copy that was added again can be both.
func (l *Library) used(ctx context.Context, hash string) (bool, error) {
	used, err := l.Shelf.Uses(ctx, hash)
	if err != nil || used {
		return used, err
	}
	err = l.Shelf.EachPrepared(ctx, func(_, _ string, p annotate.Prepared) error {
		used = used || derived(p)[hash]
		return nil
	})
	return used, err
}

// writable gives a case that v may change. A case that v may not see is as good
// as missing.
func (l *Library) writable(ctx context.Context, v consent.Viewer, caseID string) (annotate.Case, error) {
	if err := refuse(v, consent.Curator, "change cases"); err != nil {
		return annotate.Case{}, err
	}
	r, err := l.Case(ctx, v, caseID)
	return r.Case(), err
}

// onNote says problems of the note itself without the note's number in the case.
func onNote(err error) error {
	fault, ok := errors.AsType[*annotate.Fault](err)
	if !ok || fault.Cause != annotate.Invalid {
		return err
	}
	var out []annotate.Problem
	for _, p := range fault.Problems {
		p.Path = notePath.ReplaceAllString(p.Path, "")
		out = append(out, p)
	}
	return &annotate.Fault{Cause: annotate.Invalid, Say: "The note was not saved.", Problems: out, Err: err}
}

var notePath = regexp.MustCompile(`^notes\[\d+\]\.?`)

// understand looks up the concepts of a note.
func (l *Library) understand(n *annotate.Note) (warnings []annotate.Problem, err error) {
	kind, ok := annotate.KindOf(n.Kind)
	if !ok {
		return nil, nil // the check says so, with the list of kinds
	}
	n.Kind = kind.ID
	var bad []annotate.Problem
	sort(l.term(&n.Term, "concept", kind.TermKinds), &warnings, &bad)
	for _, f := range kind.Fields {
		got, ok := n.Fields[f.ID]
		if !ok || f.Type != annotate.TermField {
			continue
		}
		t := annotate.Term{Words: got.Text, Concept: got.Concept}
		sort(l.term(&t, f.ID, f.TermKinds), &warnings, &bad)
		got.Concept = t.Concept
		n.Fields[f.ID] = got
	}
	if len(bad) > 0 {
		return nil, &annotate.Fault{Cause: annotate.Invalid, Say: "The note was not saved.", Problems: bad}
	}
	return warnings, nil
}

func sort(p *annotate.Problem, warnings, bad *[]annotate.Problem) {
	switch {
	case p == nil:
	case p.Warning:
		*warnings = append(*warnings, *p)
	default:
		*bad = append(*bad, *p)
	}
}

// term finds the concept that a term's words name. What it gives back is a
// warning for words that nobody knows, or an error for those that mean several things.
func (l *Library) term(t *annotate.Term, path string, kinds []string) *annotate.Problem {
	if t.Concept != "" {
		if _, ok := l.Vocabulary.Concept(t.Concept); !ok {
			return &annotate.Problem{Path: path, Say: fmt.Sprintf("%q is not a concept of the vocabulary", t.Concept)}
		}
		return nil
	}
	if t.Words = strings.TrimSpace(t.Words); t.Words == "" {
		return nil
	}
	id, candidates := l.Vocabulary.Resolve(t.Words, kinds...)
	switch {
	case id != "":
		t.Concept = id
		if c, _ := l.Vocabulary.Concept(id); strings.EqualFold(c.Term, t.Words) || c.ID == t.Words || c.Slug() == t.Words {
			t.Words = ""
		}
		return nil
	case len(candidates) > 0:
		return &annotate.Problem{Path: path, Say: fmt.Sprintf("%q can mean %s; say which", t.Words, l.names(candidates))}
	}
	say := fmt.Sprintf("%q is not in the vocabulary; it is kept as words", t.Words)
	if near := l.Vocabulary.Nearest(t.Words); near != "" {
		say += fmt.Sprintf(" (did you mean %s?)", near)
	}
	return &annotate.Problem{Path: path, Say: say, Warning: true}
}

func (l *Library) names(ids []string) string {
	var out []string
	for _, id := range ids {
		c, _ := l.Vocabulary.Concept(id)
		out = append(out, c.Slug())
	}
	return strings.Join(out, " or ")
}

// ParseQuantities reads "vacuum 350 mmHg, aspiration flow 28 mL/min", one on a
// line or parted by commas or semicolons.
func (l *Library) ParseQuantities(text string) ([]annotate.Quantity, error) {
	var out []annotate.Quantity
	for _, part := range strings.FieldsFunc(text, func(r rune) bool { return r == '\n' || r == ',' || r == ';' }) {
		part = strings.TrimSpace(part)
		if part == "" {
			continue
		}
		m := nameAndValue.FindStringSubmatch(part)
		if m == nil {
			return nil, fmt.Errorf("%q has no value; write one such as vacuum 350 mmHg", part)
		}
		name, value := strings.TrimRight(m[1], ":= "), m[2]
		id, _ := l.Vocabulary.Resolve(name, "setting")
		p, ok := annotate.ParameterOf(id)
		if !ok {
			return nil, fmt.Errorf("%q is not a parameter known here; write one such as vacuum 350 mmHg", name)
		}
		q, _, err := annotate.ParseQuantity(p, value)
		if err != nil {
			return nil, err
		}
		if slices.ContainsFunc(out, func(o annotate.Quantity) bool { return o.Parameter == q.Parameter }) {
			return nil, fmt.Errorf("%q is said twice; say it once", name)
		}
		out = append(out, q)
	}
	return out, nil
}

var nameAndValue = regexp.MustCompile(`^(.*?)\s*([-+]?\d.*)$`)
