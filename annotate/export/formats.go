// Package export turns a released case into the files that people take away:
// chapters, captions, summaries, the plain-file folder.
//
// It must not know how a file is sent or kept, nor decide who may have it: it
// starts from a [consent.Release] and gives bytes, the same for the same case.
package export

import (
	"errors"
	"io"

	"sideport/annotate"
	"sideport/annotate/consent"
	"sideport/annotate/terms"
)

// Options are what a format may be asked for besides the case.
type Options struct {
	Vocabulary *terms.Vocabulary
	Recording  string // id, for the formats that are about one recording; "" is the first
	Language   string // of captions; "" is the first track
	// Served gives the container, mp4 or webm, of the copy that is served of a
	// recording; nil where it is that of the original.
	Served func(annotate.Recording) string
}

// Attachment is a file that goes with an export, under the name by which the
// export speaks of it. One of Recording, Still and Write says what is in it.
type Attachment struct {
	Name      string
	Recording string                  // id: its cleaned copy, never the original
	Still     string                  // id: its cleaned photograph
	Write     func(w io.Writer) error // words
}

// Format is a row of the table of formats: all that menus, commands, routes and
// tests need to know of it.
type Format struct {
	ID, Label, Help string
	MediaType, Ext  string
	// Write writes the export. A case that is not released is refused.
	Write func(w io.Writer, r consent.Release, o Options) error
	// Files lists what goes with the export in one folder, in which the export
	// itself is called casefile.Name; nil for a format that is one file.
	Files func(r consent.Release, o Options) []Attachment
}

// Formats is the table of formats, in the order in which they are offered.
// A new format is one row here and one file beside this one.
func Formats() []Format {
	return []Format{
		{ID: "chapters", Label: "Chapters (WebVTT)", Help: "The stages of one recording as chapters, on its own clock.",
			MediaType: "text/vtt; charset=utf-8", Ext: "vtt", Write: released(writeChapters)},
		{ID: "captions", Label: "Captions (WebVTT)", Help: "The narration of one recording as captions, on its own clock.",
			MediaType: "text/vtt; charset=utf-8", Ext: "vtt", Write: released(writeCaptions)},
		{ID: "summary", Label: "Summary (Markdown)", Help: "The case on paper, as text: plan, running record, settings, teaching points, outcome.",
			MediaType: "text/markdown; charset=utf-8", Ext: "md", Write: released(writeMarkdown)},
		{ID: "summary-html", Label: "Summary (for printing)", Help: "The same as one page that prints well and needs nothing else.",
			MediaType: "text/html; charset=utf-8", Ext: "html", Write: released(writeHTML)},
		{ID: "folder", Label: "Folder", Help: "The whole case as plain files: case.yaml, films, captions, stills. Adding the folder gives the same case.",
			MediaType: "application/yaml", Ext: "yaml", Write: released(writeFolder), Files: folderFiles},
	}
}

// FormatOf finds a format by its id.
func FormatOf(id string) (Format, bool) {
	for _, f := range Formats() {
		if f.ID == id {
			return f, true
		}
	}
	return Format{}, false
}

// released lets a format see nothing but released cases.
func released(write func(io.Writer, annotate.Case, annotate.Audience, Options) error) func(io.Writer, consent.Release, Options) error {
	return func(w io.Writer, r consent.Release, o Options) error {
		if r.Audience() == annotate.Nobody {
			return annotate.Faultf(annotate.Refused, "This case is not released to anybody, so it cannot be exported. Enter the patient's consent first.")
		}
		if o.Vocabulary == nil {
			return errors.New("export: no vocabulary was given")
		}
		return write(w, r.Case(), r.Audience(), o)
	}
}

// name is what a term is called: the vocabulary's own name for it, or the words
// where it knows none.
func name(o Options, t annotate.Term) string {
	if c, ok := o.Vocabulary.Concept(t.Concept); ok {
		return c.Term
	}
	if t.Words != "" {
		return t.Words
	}
	return t.Concept
}

// inked gives the notes of a kind that somebody stands behind: an export shows
// nothing as said that is only proposed.
func inked(c annotate.Case, kind string) []annotate.Note {
	var out []annotate.Note
	for _, n := range c.OfKind(kind) {
		if n.State == annotate.Inked {
			out = append(out, n)
		}
	}
	return out
}
