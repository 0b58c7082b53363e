package caption

import (
	"fmt"
	"io"
	"slices"
	"strings"
	"unicode"
	"unicode/utf8"

	"sideport/annotate"
)

// MinShown is how long a cue is shown whose times would not show it at all.
const MinShown = annotate.Second

// Write writes cues as WebVTT that [Cues] reads back the same: in order of
// their times, rounded to the millisecond, text as [Clean] gives it.
//
// A cue that does not end after it begins (or would not, once rounded) is shown
// for [MinShown], so that no words are lost; one that begins before the film
// begins with it; one that ends before it, or has no words, is left out. An id
// is kept when it is one line that cannot be mistaken for anything else and is
// the first of its kind. The errors are w's own.
func Write(w io.Writer, cues []annotate.Cue) error {
	kept := make([]annotate.Cue, 0, len(cues))
	seen := map[string]bool{}
	for _, c := range cues {
		c.Text = Clean(c.Text)
		if c.Text == "" || c.Span.To < 0 {
			continue
		}
		c.Span = toMS(c.Span)
		if c.Span.To <= c.Span.From {
			c.Span.To = c.Span.From + MinShown
		}
		kept = append(kept, c)
	}
	sortCues(kept)
	for i, c := range kept {
		if !safeID(c.ID) || seen[c.ID] {
			kept[i].ID = ""
		}
		seen[c.ID] = true
	}
	return write(w, kept)
}

// WriteChapters writes cues as WebVTT chapters: each title on one line, none
// overlapping. A chapter ends where it says or where the next begins, whichever
// comes first; an instant lasts until the next begins, the last one for
// [MinShown]. Titles of the same millisecond share a chapter, joined by " · ".
// Gaps stay gaps; chapters that touch still touch after rounding.
func WriteChapters(w io.Writer, cues []annotate.Cue) error {
	cues = slices.Clone(cues)
	sortCues(cues)
	var kept []annotate.Cue
	for _, c := range cues {
		c.Text = strings.ReplaceAll(Clean(c.Text), "\n", " ")
		if c.Text == "" || c.Span.To < 0 {
			continue
		}
		c.ID, c.Span = "", toMS(c.Span)
		if n := len(kept); n > 0 && kept[n-1].Span.From == c.Span.From {
			kept[n-1].Text += " · " + c.Text
			kept[n-1].Span.To = max(kept[n-1].Span.To, c.Span.To)
			continue
		}
		kept = append(kept, c)
	}
	for i := range kept {
		s, next := &kept[i].Span, annotate.Time(-1)
		if i+1 < len(kept) {
			next = kept[i+1].Span.From
		}
		switch {
		case s.To <= s.From && next >= 0:
			s.To = next
		case s.To <= s.From:
			s.To = s.From + MinShown
		case next >= 0:
			s.To = min(s.To, next)
		}
	}
	return write(w, kept)
}

// escaper leaves no sign that begins markup, and so no --> either.
var escaper = strings.NewReplacer("&", "&amp;", "<", "&lt;", ">", "&gt;")

func write(w io.Writer, cues []annotate.Cue) error {
	var b strings.Builder
	b.WriteString("WEBVTT\n\n")
	for _, c := range cues {
		if c.ID != "" {
			b.WriteString(c.ID + "\n")
		}
		fmt.Fprintf(&b, "%s --> %s\n%s\n\n", stamp(c.Span.From), stamp(c.Span.To), escaper.Replace(c.Text))
	}
	_, err := io.WriteString(w, b.String())
	return err
}

// stamp writes "00:01:02.345"; hours have two digits or as many as they need.
func stamp(t annotate.Time) string {
	ms := t / annotate.Millisecond
	return fmt.Sprintf("%02d:%02d:%02d.%03d", ms/3_600_000, ms/60_000%60, ms/1000%60, ms%1000)
}

// maxID keeps an id far from the longest line that is read.
const maxID = 200

// safeID says whether an id can stand above its cue as it is. NOTE, STYLE and
// REGION open blocks of their own in some readers, whatever follows.
func safeID(id string) bool {
	for _, word := range []string{"NOTE", "STYLE", "REGION", "WEBVTT"} {
		if strings.HasPrefix(id, word) {
			return false
		}
	}
	return strings.TrimSpace(id) != "" && len(id) <= maxID && utf8.ValidString(id) &&
		!strings.Contains(id, "-->") && !strings.ContainsFunc(id, unicode.IsControl)
}
