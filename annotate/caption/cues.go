package caption

import (
	"cmp"
	"slices"
	"unicode/utf8"

	"sideport/annotate"
)

// Cues reads of a WebVTT file what the record keeps: ids, spans and plain text,
// in the order of their times, each ending after it begins. Markup, places and
// speakers' names are left out (a name may be a person's). What [Read] warns of
// is joined by one warning for each cue that nobody would have seen.
func Cues(data []byte) ([]annotate.Cue, []annotate.Problem, error) {
	doc, found, err := Read(data)
	if err != nil {
		return nil, nil, err
	}
	r := reader{found: found}
	named := false
	var cues []annotate.Cue
	for _, c := range doc.Cues {
		p := parseText(c.Text)
		if p.v > 0 && !named {
			named = true
			r.warn(c.Line, "the names of who speaks, here and below, are left out; the words are kept")
		}
		text := Clean(p.plain.String())
		n := utf8.RuneCountInString(text)
		switch {
		case text == "":
			r.warn(c.Line, "the caption at %v has no words and is left out", c.Span.From)
		case c.Span.To <= c.Span.From:
			r.warn(c.Line, "the caption %q ends at %v, not after it begins at %v, and is left out", short(text), c.Span.To, c.Span.From)
		case n > annotate.MaxWords:
			r.warn(c.Line, "the caption at %v has %d characters, more than the %d allowed, and is left out", c.Span.From, n, annotate.MaxWords)
		default:
			cues = append(cues, annotate.Cue{ID: c.ID, Span: toMS(c.Span), Text: text})
		}
	}
	r.closeWarnings()
	sortCues(cues)
	return cues, r.found, nil
}

func sortCues(cues []annotate.Cue) {
	slices.SortStableFunc(cues, func(a, b annotate.Cue) int {
		return cmp.Or(cmp.Compare(a.Span.From, b.Span.From), cmp.Compare(a.Span.To, b.Span.To))
	})
}

// toMS rounds to the millisecond, the finest that WebVTT can say. It rounds
// times and not lengths, so that what touched still touches.
func toMS(s annotate.Span) annotate.Span {
	return annotate.Span{From: roundMS(s.From), To: roundMS(s.To)}
}

func roundMS(t annotate.Time) annotate.Time {
	return (max(t, 0) + annotate.Millisecond/2) / annotate.Millisecond * annotate.Millisecond
}
