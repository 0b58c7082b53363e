package web

import (
	"fmt"
	"math"
	"net/url"
	"strconv"
	"strings"

	"sideport/annotate"
)

// NewNote is the form for a note at the second at which the page opened.
func (p RecordPage) NewNote() string {
	q := url.Values{"t": {seconds(p.At)}}
	if p.Film.HasFilm() {
		q.Set("rec", p.Film.Recording)
	}
	return "/cases/" + url.PathEscape(p.ID) + "/notes/new?" + q.Encode()
}

// FilmURL is the address of a file of the recording that is shown.
func (p RecordPage) FilmURL(file string) string {
	return fmt.Sprintf("/cases/%s/recordings/%s/%s", url.PathEscape(p.ID), url.PathEscape(p.Film.Recording), file)
}

// CaptionsURL is the address of the captions in a language.
func (p RecordPage) CaptionsURL(language string) string {
	return p.FilmURL("captions/" + url.PathEscape(language) + ".vtt")
}

// FilmStart is the media fragment with which the film itself opens at the
// page's second, so that a deep link works without scripts.
func (p RecordPage) FilmStart() string {
	if at := p.At - p.Film.Offset; at > 0 {
		return "#t=" + seconds(at)
	}
	return ""
}

// ShownURL is this page with the film uncovered.
func (p RecordPage) ShownURL() string {
	p.Film.Shown = true
	return p.URL(p.Film.Recording, p.At)
}

// TabURL is the same second in another recording.
func (p RecordPage) TabURL(recording string) string { return p.URL(recording, p.At) }

// ExportURL is the address of the record in a format.
func (p RecordPage) ExportURL(e Export) string {
	return fmt.Sprintf("/cases/%s/export/%s?%s", url.PathEscape(p.ID), url.PathEscape(e.Format), url.Values{"audience": {e.Audience}}.Encode())
}

// FPS is the film's frame rate for the frame keys; 25 where it is not known.
func (f Film) FPS() string {
	if !f.Rate.Valid() {
		return "25"
	}
	return strconv.FormatFloat(f.Rate.Float(), 'f', -1, 64)
}

// LabelWidth is the width in pixels of the plate under a part's name.
func (p Part) LabelWidth() int { return 8 + 7*len([]rune(p.Name)) }

// lean is half the width in pixels of the drawing of a change; it stands for a
// change by half, and larger ones fill it.
const lean = 38

func (v SettingValue) leanTo() float64 { return lean * max(-1, min(1, 2*v.Change)) }

// LeanX is where the drawing of the change begins, in pixels.
func (v SettingValue) LeanX() string {
	return annotate.FormatNumber(math.Round(40 + min(0, v.leanTo())))
}

// LeanWidth is the width of the drawing of the change, in pixels.
func (v SettingValue) LeanWidth() string {
	return annotate.FormatNumber(math.Round(math.Abs(v.leanTo())))
}

// Line is a setting in one line, for the running record: each value used and,
// where the usual one is known, the change from it.
func (s Setting) Line() Fact {
	var parts []string
	for _, v := range s.Values {
		part := v.Used
		if v.Known && v.Change != 0 {
			part += " (" + changeText(v.Change) + ")"
		}
		name := strings.ToLower(v.Name[:min(1, len(v.Name))]) + v.Name[min(1, len(v.Name)):]
		parts = append(parts, name+" "+strings.ReplaceAll(part, " ", "\u00a0")) // a value and its unit stay together
	}
	label := s.Mode
	if label == "" {
		label = "Values"
	}
	return Fact{Label: label, Value: strings.Join(parts, ", ")}
}
