// Package caption reads and writes WebVTT, the captions and chapters of a film.
// It reads as the W3C specification's own parser does, keeps all that is well
// formed of a bad file and says what it left out; it writes nothing that a
// reader could take for anything but the words it was given.
//
// It must not know cases, consent or where captions are kept.
package caption

import (
	"strings"
	"unicode"

	"sideport/annotate"
)

// Limits of a caption file: far above any real one, far below what hurts.
const (
	MaxBytes = 5 << 20  // of the file
	MaxLine  = 32 << 10 // bytes of one line, decoded
	MaxCues  = 100_000
	MaxTags  = 200 // '<' in one cue: tags nest, so more cost more than they say
)

// Document is what a WebVTT file says.
type Document struct {
	Cues    []Cue
	Regions []*Region
}

// Cue is one cue as the file has it.
type Cue struct {
	ID       string        // "" where it has none
	Span     annotate.Span // may be empty or backwards: players show nothing then
	Settings Settings
	Text     string // with its markup; [PlainText] takes it out
	Line     int    // of the cue's times, from 1
}

// Settings is where and how a cue is shown.
type Settings struct {
	Vertical      string   // "", "rl", "lr"
	Line          *float64 // nil: auto; a line number, or a percentage without SnapToLines
	SnapToLines   bool
	LineAlign     string   // start, center, end
	Position      *float64 // nil: auto; percentage
	PositionAlign string   // auto, line-left, center, line-right
	Size          float64  // percentage
	Align         string   // start, center, end, left, right
	Region        *Region  // nil: none
}

// Point is a place in a frame, in percent from its top left.
type Point struct{ X, Y float64 }

// Region is a part of the frame that cues are shown in.
type Region struct {
	ID             string
	Width          float64 // percentage
	Lines          float64 // a whole number; the file may ask for more than an int holds
	Anchor         Point
	ViewportAnchor Point
	ScrollUp       bool
}

func newSettings() Settings {
	return Settings{SnapToLines: true, LineAlign: "start", PositionAlign: "auto", Size: 100, Align: "center"}
}

func newRegion() *Region {
	return &Region{Width: 100, Lines: 3, Anchor: Point{0, 100}, ViewportAnchor: Point{0, 100}}
}

// Clean gives text as it is kept and written: lines parted by \n, none of them
// blank, no space around a line, a space for each control character, U+FFFD for
// what is not UTF-8.
func Clean(text string) string {
	text = strings.ToValidUTF8(text, "\uFFFD")
	var lines []string
	for line := range strings.SplitSeq(unixLines(text), "\n") {
		line = strings.Map(func(r rune) rune {
			if unicode.IsControl(r) {
				return ' '
			}
			return r
		}, line)
		if line = strings.TrimSpace(line); line != "" {
			lines = append(lines, line)
		}
	}
	return strings.Join(lines, "\n")
}

// unixLines turns CR LF and CR into LF.
func unixLines(s string) string {
	return strings.NewReplacer("\r\n", "\n", "\r", "\n").Replace(s)
}
