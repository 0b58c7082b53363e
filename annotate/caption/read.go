package caption

import (
	"fmt"
	"strings"

	"sideport/annotate"
)

// Read reads a WebVTT file by the parser algorithm of the W3C specification
// (WebVTT: The Web Video Text Tracks Format, section 6), which leaves out what
// is bad and keeps the rest. The problems are warnings, one for each thing left
// out, with its line. An [annotate.Fault] says that the file is no WebVTT at
// all or is beyond a limit.
//
// Beyond the specification, cues after [annotate.MaxTime] and style sheets are
// left out too.
func Read(data []byte) (Document, []annotate.Problem, error) {
	lines, found, err := decode(data)
	if err != nil {
		return Document{}, nil, err
	}
	if len(lines) == 0 || !signature(lines[0]) {
		return Document{}, nil, annotate.Faultf(annotate.Invalid,
			"Line 1 of the captions is not WEBVTT, so this is no WebVTT file. Save the captions as WebVTT and add them again.")
	}
	r := &reader{lines: lines, next: 1, regions: map[string]*Region{}, found: found}
	if r.more() && r.lines[r.next] != "" {
		if _, err := r.block(true); err != nil {
			return Document{}, nil, err
		}
	}
	for r.skipBlank(); r.more(); r.skipBlank() {
		cue, err := r.block(false)
		if err != nil {
			return Document{}, nil, err
		}
		if cue != nil {
			r.doc.Cues = append(r.doc.Cues, *cue)
		}
		if len(r.doc.Cues) > MaxCues {
			return Document{}, nil, annotate.Faultf(annotate.Invalid,
				"Line %d begins caption %d; more than %d in one file are not read. Split them by recording.", cue.Line, MaxCues+1, MaxCues)
		}
	}
	r.closeWarnings()
	return r.doc, r.found, nil
}

// signature says whether a first line is that of a WebVTT file.
func signature(line string) bool {
	rest, ok := strings.CutPrefix(line, "WEBVTT")
	return ok && (rest == "" || rest[0] == ' ' || rest[0] == '\t')
}

type reader struct {
	lines   []string
	next    int // index of the line to read next
	seenCue bool
	doc     Document
	regions map[string]*Region // the last of each id
	found   []annotate.Problem
	muted   int
}

func (r *reader) more() bool { return r.next < len(r.lines) }

func (r *reader) skipBlank() {
	for r.more() && r.lines[r.next] == "" {
		r.next++
	}
}

// maxWarnings keeps the answer to a hopeless file readable.
const maxWarnings = 200

// warn notes what was left out, with its line counted from 1.
func (r *reader) warn(line int, say string, args ...any) {
	if len(r.found) >= maxWarnings {
		r.muted++
		return
	}
	r.found = append(r.found, annotate.Problem{Say: fmt.Sprintf(say, args...), Warning: true, Line: line})
}

func (r *reader) closeWarnings() {
	if r.muted > 0 {
		r.found = append(r.found, annotate.Problem{Say: fmt.Sprintf("%d more things were left out", r.muted), Warning: true})
	}
}

// block is "collect a WebVTT block": up to an empty line or the next times. It
// gives a cue or nil, and puts a region into the document.
func (r *reader) block(header bool) (*Cue, error) {
	b := block{reader: r, first: r.next + 1, header: header}
	back := r.next // where the next block begins if this one ends at a line with times
	for n := 1; r.more(); n++ {
		line := r.lines[r.next]
		r.next++
		if strings.Contains(line, "-->") {
			if header || n > 2 || n == 2 && b.arrow {
				r.next = back
				break
			}
			back = r.next
			b.times(line)
			continue
		}
		if line == "" {
			break
		}
		if n == 2 && !header {
			b.opening()
		}
		b.text = append(b.text, line)
		back = r.next
	}
	return b.end()
}

// block is the state of one run of [reader.block].
type block struct {
	*reader
	first  int // line number
	header bool
	arrow  bool
	cue    *Cue
	style  bool
	region *Region
	text   []string
}

// times begins a cue; what came before in the block is its id.
func (b *block) times(line string) {
	b.arrow = true
	cue := &Cue{ID: strings.Join(b.text, "\n"), Settings: newSettings(), Line: b.next}
	span, rest, err := parseTimes(line)
	if err != nil {
		b.warn(b.next, "%q is left out with its caption: %v", short(line), err)
		return
	}
	cue.Span = span
	b.settings(&cue.Settings, rest, b.next)
	b.cue, b.text, b.seenCue = cue, nil, true
}

// opening looks at the first line of a block when the second is there.
func (b *block) opening() {
	if b.seenCue || len(b.text) != 1 {
		return
	}
	switch strings.TrimRightFunc(b.text[0], isSpace) {
	case "STYLE":
		b.style, b.text = true, nil
	case "REGION":
		b.region, b.text = newRegion(), nil
	}
}

func (b *block) end() (*Cue, error) {
	text := strings.Join(b.text, "\n")
	switch {
	case b.cue != nil:
		b.cue.Text = text
		if n := strings.Count(text, "<"); n > MaxTags {
			return nil, annotate.Faultf(annotate.Invalid,
				"The caption in line %d holds %d times the sign <; more than %d in one caption are not read.", b.cue.Line, n, MaxTags)
		}
		return b.cue, nil
	case b.style:
		b.warn(b.first, "the style sheet is left out; captions are shown in the library's own type")
	case b.region != nil:
		b.regionSettings(b.region, text, b.first)
		b.doc.Regions = append(b.doc.Regions, b.region)
		b.regions[b.region.ID] = b.region
	case b.header && text != "":
		b.warn(b.first, "%q in the header is left out; an empty line belongs after WEBVTT", short(b.text[0]))
	case text != "" && !b.arrow && !comment(text):
		b.warn(b.first, "%q belongs to no caption and is left out; a caption begins with its times, as in 00:01.000 --> 00:02.000", short(b.text[0]))
	}
	return nil, nil
}

// comment says whether a block is a NOTE, which is there to be left out.
func comment(text string) bool {
	rest, ok := strings.CutPrefix(text, "NOTE")
	return ok && (rest == "" || isSpace(rune(rest[0])))
}

// short keeps what is quoted in a message to one look.
func short(s string) string {
	if r := []rune(s); len(r) > 60 {
		return string(r[:60]) + "…"
	}
	return s
}

// isSpace says whether r is ASCII whitespace, the only kind the format knows.
func isSpace(r rune) bool {
	return r == ' ' || r == '\t' || r == '\n' || r == '\f' || r == '\r'
}
