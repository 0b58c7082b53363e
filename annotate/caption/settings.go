package caption

import (
	"errors"
	"fmt"
	"strconv"
	"strings"

	"sideport/annotate"
)

// parseTimes is "collect WebVTT cue timings and settings", up to the settings.
func parseTimes(line string) (span annotate.Span, rest string, err error) {
	from, s, err := timestamp(strings.TrimLeftFunc(line, isSpace))
	if err != nil {
		return span, "", err
	}
	s, ok := strings.CutPrefix(strings.TrimLeftFunc(s, isSpace), "-->")
	if !ok {
		return span, "", errors.New("between its times stands something other than -->")
	}
	to, rest, err := timestamp(strings.TrimLeftFunc(s, isSpace))
	if err != nil {
		return span, "", err
	}
	return annotate.Span{From: from, To: to}, rest, nil
}

var errTime = errors.New("its times are not of the form 01:02.345 or 01:02:03.456, with minutes and seconds under 60")

// timestamp is "collect a WebVTT timestamp". Hours may have any number of
// digits and are there when a third part is.
func timestamp(s string) (annotate.Time, string, error) {
	v1, s, ok1 := number(s)
	v2, s, ok2 := part(s, ":", 2)
	if !ok1 || !ok2 {
		return 0, "", errTime
	}
	var h, m, sec string
	if len(v1) != 2 || v1 > "59" || strings.HasPrefix(s, ":") {
		v3, rest, ok := part(s, ":", 2)
		if !ok {
			return 0, "", errTime
		}
		h, m, sec, s = v1, v2, v3, rest
	} else {
		h, m, sec = "0", v1, v2
	}
	ms, rest, ok := part(s, ".", 3)
	if !ok || m > "59" || sec > "59" {
		return 0, "", errTime
	}
	hours := strings.TrimLeft(h, "0")
	if len(hours) > 3 {
		return 0, "", fmt.Errorf("it lies beyond the %d hours that a film may last", annotate.MaxTime/annotate.Hour)
	}
	t := atoi(hours)*annotate.Hour + atoi(m)*annotate.Minute + atoi(sec)*annotate.Second + atoi(ms)*annotate.Millisecond
	if t > annotate.MaxTime {
		return 0, "", fmt.Errorf("it lies beyond the %d hours that a film may last", annotate.MaxTime/annotate.Hour)
	}
	return t, rest, nil
}

// number takes the ASCII digits at the front of s.
func number(s string) (digits, rest string, ok bool) {
	rest = strings.TrimLeft(s, "0123456789")
	digits = s[:len(s)-len(rest)]
	return digits, rest, digits != ""
}

// part takes a sign and exactly n digits after it.
func part(s, sign string, n int) (digits, rest string, ok bool) {
	s, ok = strings.CutPrefix(s, sign)
	digits, rest, _ = number(s)
	return digits, rest, ok && len(digits) == n
}

// atoi reads a few digits; "" is 0.
func atoi(s string) annotate.Time {
	var v annotate.Time
	for _, c := range s {
		v = v*10 + annotate.Time(c-'0')
	}
	return v
}

// settings is "parse the WebVTT cue settings".
func (b *block) settings(to *Settings, text string, line int) {
	for token := range strings.FieldsFuncSeq(text, isSpace) {
		name, value, _ := strings.Cut(token, ":")
		if name == "region" && value != "" {
			to.Region = b.regions[value]
			if to.Region == nil {
				b.warn(line, "there is no region %q in this file; the caption is shown without it", short(value))
			}
			continue
		}
		if value == "" || !to.set(name, value) {
			b.warn(line, "%q is not a caption setting and is left out", short(token))
		}
	}
}

func (to *Settings) set(name, value string) bool {
	switch name {
	case "vertical":
		if value != "rl" && value != "lr" {
			return false
		}
		to.Vertical, to.Region = value, nil // there are no vertical regions
	case "line":
		return to.setLine(value)
	case "position":
		return to.setPosition(value)
	case "size":
		v, ok := percentage(value)
		if !ok {
			return false
		}
		if to.Size = v; v != 100 {
			to.Region = nil
		}
	case "align":
		return choose(&to.Align, value, "start", "center", "end", "left", "right")
	default:
		return false
	}
	return true
}

func (to *Settings) setLine(value string) bool {
	pos, align, comma := strings.Cut(value, ",")
	v, ok := percentage(pos)
	percent := strings.HasSuffix(pos, "%")
	if !percent {
		v, ok = decimal(pos)
	}
	if !ok || comma && !choose(&to.LineAlign, align, "start", "center", "end") {
		return false
	}
	to.Line, to.SnapToLines, to.Region = &v, !percent, nil
	return true
}

func (to *Settings) setPosition(value string) bool {
	pos, align, comma := strings.Cut(value, ",")
	v, ok := percentage(pos)
	if !ok || comma && !choose(&to.PositionAlign, align, "line-left", "center", "line-right") {
		return false
	}
	to.Position = &v
	return true
}

func choose(to *string, value string, among ...string) bool {
	for _, a := range among {
		if a == value {
			*to = value
			return true
		}
	}
	return false
}

// decimal reads a WebVTT line number: an optional minus, digits, and a fraction
// with digits on both sides of its dot.
func decimal(s string) (float64, bool) {
	whole, frac, dotted := strings.Cut(strings.TrimPrefix(s, "-"), ".")
	_, rest1, ok1 := number(whole)
	_, rest2, ok2 := number(frac)
	if !ok1 || rest1 != "" || dotted && (!ok2 || rest2 != "") {
		return 0, false
	}
	v, err := strconv.ParseFloat(s, 64)
	return v, err == nil
}

// percentage is "parse a percentage string".
func percentage(s string) (float64, bool) {
	s, ok := strings.CutSuffix(s, "%")
	if !ok || strings.HasPrefix(s, "-") {
		return 0, false
	}
	v, ok := decimal(s)
	return v, ok && v <= 100
}

// point reads "10%,90%".
func point(s string) (Point, bool) {
	a, b, ok := strings.Cut(s, ",")
	x, ok1 := percentage(a)
	y, ok2 := percentage(b)
	return Point{x, y}, ok && ok1 && ok2
}

// regionSettings is "collect WebVTT region settings".
func (b *block) regionSettings(to *Region, text string, line int) {
	for token := range strings.FieldsFuncSeq(text, isSpace) {
		name, value, _ := strings.Cut(token, ":")
		if value == "" || !to.set(name, value) {
			b.warn(line, "%q is not a setting of a region and is left out", short(token))
		}
	}
}

func (to *Region) set(name, value string) (ok bool) {
	var v float64
	var p Point
	switch name {
	case "id":
		to.ID, ok = value, true
	case "width":
		if v, ok = percentage(value); ok {
			to.Width = v
		}
	case "lines":
		if _, rest, _ := number(value); rest != "" {
			return false
		}
		if v, ok = decimal(value); ok {
			to.Lines = v
		}
	case "regionanchor":
		if p, ok = point(value); ok {
			to.Anchor = p
		}
	case "viewportanchor":
		if p, ok = point(value); ok {
			to.ViewportAnchor = p
		}
	case "scroll":
		if ok = value == "up"; ok {
			to.ScrollUp = true
		}
	}
	return ok
}
