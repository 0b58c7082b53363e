package export

import (
	"io"
	"slices"

	"sideport/annotate"
	"sideport/annotate/caption"
	"sideport/annotate/casefile"
	"sideport/annotate/consent"
)

// writeFolder writes the case file of the folder.
func writeFolder(w io.Writer, c annotate.Case, _ annotate.Audience, o Options) error {
	return casefile.Write(w, asServed(c, o), o.Vocabulary)
}

// asServed gives each recording the container of the copy that goes out, which
// its file is named by.
func asServed(c annotate.Case, o Options) annotate.Case {
	c.Recordings = slices.Clone(c.Recordings)
	for i, r := range c.Recordings {
		if o.Served != nil {
			c.Recordings[i].Film.Container = o.Served(r)
		}
	}
	return c
}

// folderFiles lists the files that the case file names.
func folderFiles(r consent.Release, o Options) []Attachment {
	if r.Audience() == annotate.Nobody {
		return nil
	}
	var out []Attachment
	c := asServed(r.Case(), o)
	for i, rec := range c.Recordings {
		out = append(out, Attachment{Name: casefile.RecordingFile(i, rec.Film.Container), Recording: rec.ID})
		for j, t := range rec.Captions {
			out = append(out, Attachment{Name: casefile.CaptionsFile(i, rec, j), Write: func(w io.Writer) error { return caption.Write(w, t.Cues) }})
		}
	}
	for i, s := range c.Stills {
		out = append(out, Attachment{Name: casefile.StillFile(i), Still: s.ID})
	}
	return out
}
