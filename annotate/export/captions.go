package export

import (
	"cmp"
	"io"
	"strings"

	"sideport/annotate"
	"sideport/annotate/caption"
)

// writeCaptions writes one track of one recording.
func writeCaptions(w io.Writer, c annotate.Case, _ annotate.Audience, o Options) error {
	r, err := recording(c, o)
	if err != nil {
		return err
	}
	var languages []string
	for _, t := range r.Captions {
		if o.Language == "" || o.Language == t.Language {
			return caption.Write(w, t.Cues)
		}
		languages = append(languages, t.Language)
	}
	if o.Language != "" {
		return annotate.Faultf(annotate.Missing, "There are no captions in %q; there are %s.", o.Language, cmp.Or(strings.Join(languages, ", "), "none"))
	}
	return caption.Write(w, nil)
}
