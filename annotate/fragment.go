package annotate

import (
	"net/url"
	"strconv"
	"strings"
	"unicode/utf8"
)

// ParseFragment reads the temporal part of a media fragment (W3C Media
// Fragments URI 1.0, sections 4.2.1 and 5.1): "t=30,60", "#t=npt:10",
// "t=,00:07", "t=smpte-25:0:00:03,0:00:07:12", among other parts joined by "&".
// Of several valid t the last one counts. An open end is [MaxTime]; an open
// start is 0.
//
// It is false where no part is a valid t, and then the whole film is meant:
// so too where it ends at or before its start. Times of day (clock:) are not
// understood, as no recording here has one. Timecodes are turned into time at
// the rate that they name, whatever the film's own.
func ParseFragment(s string) (from, to Time, ok bool) {
	s = strings.TrimLeft(s, "#?")
	for part := range strings.SplitSeq(s, "&") {
		name, value, found := strings.Cut(part, "=")
		name, err1 := url.PathUnescape(name)
		value, err2 := url.PathUnescape(value)
		if !found || err1 != nil || err2 != nil || name != "t" || !utf8.ValidString(value) {
			continue
		}
		if a, b, valid := parseRange(value); valid {
			from, to, ok = a, b, true
		}
	}
	return from, to, ok
}

// Fragment writes s as "t=30,60.5", an instant as "t=30", for a link or a
// selector; [ParseFragment] reads it back.
func (s Span) Fragment() string {
	out := "t=" + strconv.FormatFloat(s.From.Seconds(), 'f', -1, 64)
	if s.Instant() || s.To >= MaxTime {
		return out
	}
	return out + "," + strconv.FormatFloat(s.To.Seconds(), 'f', -1, 64)
}

// smpteRates are the timecode schemes of the specification and what a second
// of them holds; plain smpte is smpte-30.
var smpteRates = map[string]struct {
	rate Rate
	drop bool
}{
	"smpte":         {Rate{30, 1}, false},
	"smpte-25":      {Rate{25, 1}, false},
	"smpte-30":      {Rate{30, 1}, false},
	"smpte-30-drop": {Rate{30000, 1001}, true},
}

// parseRange reads the value of one t.
func parseRange(s string) (from, to Time, ok bool) {
	parse := parseNPT
	if scheme, rest, _ := strings.Cut(s, ":"); scheme == "npt" {
		s = rest
	} else if in, smpte := smpteRates[scheme]; smpte {
		s, parse = rest, func(s string) (Time, bool) { return parseFrame(s, in.rate, in.drop) }
	}
	a, b, comma := strings.Cut(s, ",")
	to, ok = MaxTime, true
	if a != "" {
		from, ok = parse(a)
	}
	if ok && comma {
		to, ok = parse(b)
	}
	return from, to, ok && s != "" && from < to
}

// parseNPT reads normal play time: seconds, mm:ss or h:mm:ss, with a fraction
// that may be empty after its dot.
func parseNPT(s string) (Time, bool) {
	whole, frac, _ := strings.Cut(s, ".")
	if frac != "" && !digits(frac) {
		return 0, false
	}
	parts := strings.Split(whole, ":")
	for i, p := range parts {
		first := i == 0 && len(parts) != 2 // a single figure or hours: any number of digits
		if !digits(p) || !first && (len(p) != 2 || p > "59") {
			return 0, false
		}
	}
	text := strings.Join(parts, ":")
	if frac != "" {
		text += "." + frac[:min(len(frac), 9)]
	}
	t, err := ParseTime(text)
	return t, err == nil
}

// parseFrame reads h:mm:ss, h:mm:ss:ff or h:mm:ss:ff.uu, uu being hundredths of
// a frame.
func parseFrame(s string, r Rate, drop bool) (Time, bool) {
	code, sub, dotted := strings.Cut(s, ".")
	parts := strings.Split(code, ":")
	if dotted && (len(sub) != 2 || !digits(sub) || len(parts) != 4) || len(parts) < 3 || len(parts) > 4 {
		return 0, false
	}
	for i, p := range parts {
		if !digits(p) || i > 0 && len(p) != 2 {
			return 0, false
		}
	}
	if len(parts) == 3 {
		parts = append(parts, "00")
	}
	sep := ":"
	if drop {
		sep = ";"
	}
	n, err := r.FrameOf(strings.Join(parts[:3], ":") + sep + parts[3])
	if err != nil {
		return 0, false
	}
	t := r.TimeOf(n)
	if dotted {
		hundredths, _ := strconv.ParseInt(sub, 10, 64)
		t += (Time(hundredths)*(r.TimeOf(n+1)-t) + 50) / 100
	}
	return t, t <= MaxTime
}
