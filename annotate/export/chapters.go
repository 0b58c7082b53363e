package export

import (
	"cmp"
	"io"

	"sideport/annotate"
	"sideport/annotate/caption"
)

// writeChapters writes the stages of one recording on that recording's own
// clock. Gaps are kept. So are very short stages, which real films are full of:
// one that rounds to no millisecond at all lasts until the next begins. Only
// what lies outside the film is cut off.
func writeChapters(w io.Writer, c annotate.Case, _ annotate.Audience, o Options) error {
	r, err := recording(c, o)
	if err != nil {
		return err
	}
	var cues []annotate.Cue
	for _, n := range inked(c, "stage") {
		if seen, _ := c.Recording(n.Recording); seen.ID != r.ID {
			continue
		}
		s := annotate.Span{From: max(n.Span.From-r.Offset, 0), To: n.Span.To - r.Offset}
		if d := r.Film.Duration; d > 0 {
			s.To = min(s.To, d)
		}
		if s.To > s.From {
			title := name(o, n.Term)
			cues = append(cues, annotate.Cue{Span: s, Text: cmp.Or(title, n.Words)})
		}
	}
	return caption.WriteChapters(w, cues)
}

// recording is the one that is asked for; an empty one where the case has none
// and none is named.
func recording(c annotate.Case, o Options) (annotate.Recording, error) {
	r, ok := c.Recording(o.Recording)
	if !ok && o.Recording != "" {
		return r, annotate.Faultf(annotate.Missing, "There is no recording %q in this case, which has %d; they are called r1, r2 and so on.", o.Recording, len(c.Recordings))
	}
	return r, nil
}
