package annotate

import (
	"encoding/json"
	"fmt"
	"math"
	"strconv"
	"strings"
)

// Time is a place on the case clock, or a length of film, in microseconds.
// Microseconds hold every frame time of every rate up to 120 frames a second
// closely enough to find the frame again.
type Time int64

// Units of [Time].
const (
	Millisecond Time = 1_000
	Second      Time = 1_000_000
	Minute           = 60 * Second
	Hour             = 60 * Minute
)

// MaxTime is the longest film and the latest second that a case may speak of.
const MaxTime = 100 * Hour

// Seconds gives t in seconds.
func (t Time) Seconds() float64 { return float64(t) / float64(Second) }

// FromSeconds gives the time nearest to s seconds.
func FromSeconds(s float64) Time { return Time(math.Round(s * float64(Second))) }

// String writes t as people write it beside a film: "05:35", "1:02:03.5".
// Fractions are shown to the microsecond and no further than needed, so
// ParseTime(t.String()) == t from zero to [MaxTime].
func (t Time) String() string {
	sign := ""
	if t < 0 {
		sign, t = "-", -t
	}
	h, m, s, frac := t/Hour, t%Hour/Minute, t%Minute/Second, t%Second
	out := fmt.Sprintf("%02d:%02d", m, s)
	if h > 0 {
		out = fmt.Sprintf("%d:%02d:%02d", h, m, s)
	}
	if frac > 0 {
		out += "." + strings.TrimRight(fmt.Sprintf("%06d", frac), "0")
	}
	return sign + out
}

// Clock writes t to the whole second, rounded down: the form for lists.
func (t Time) Clock() string { return (t - t%Second).String() }

// ParseTime reads "95", "95.5", "01:35", "1:02:03.25" or "95.5s". Minutes and
// seconds stay under 60 where a larger part stands before them.
func ParseTime(text string) (Time, error) {
	s := strings.TrimSuffix(strings.TrimSpace(text), "s")
	parts := strings.Split(s, ":")
	if len(parts) > 3 || s == "" {
		return 0, fmt.Errorf("%q is not a time; write minutes and seconds, as in 05:35 or 05:35.2", text)
	}
	var total Time
	for i, p := range parts {
		last := i == len(parts)-1
		v, err := parsePart(p, last)
		if err != nil || (i > 0 && v >= Minute) {
			return 0, fmt.Errorf("%q is not a time; write minutes and seconds, as in 05:35 or 05:35.2", text)
		}
		total = total*60 + v
		if total > MaxTime {
			return 0, fmt.Errorf("%q is beyond the %d hours that a film may last", text, MaxTime/Hour)
		}
	}
	return total, nil
}

// parsePart reads one digit group as seconds; the last may have a fraction.
func parsePart(p string, last bool) (Time, error) {
	whole, frac, dotted := strings.Cut(p, ".")
	if !last && dotted || !digits(whole) || len(whole) > 7 || dotted && (!digits(frac) || len(frac) > 9) {
		return 0, strconv.ErrSyntax
	}
	n, err := strconv.ParseInt(whole, 10, 64)
	if err != nil {
		return 0, err
	}
	t := Time(n) * Second
	if dotted {
		f, err := strconv.ParseFloat("0."+frac, 64)
		if err != nil {
			return 0, err
		}
		t += FromSeconds(f)
	}
	return t, nil
}

func digits(s string) bool {
	return s != "" && strings.Trim(s, "0123456789") == ""
}

// MarshalJSON writes seconds as a plain number: 335.2.
func (t Time) MarshalJSON() ([]byte, error) {
	return strconv.AppendFloat(nil, t.Seconds(), 'f', -1, 64), nil
}

// UnmarshalJSON reads seconds as a number.
func (t *Time) UnmarshalJSON(b []byte) error {
	var s float64
	if err := json.Unmarshal(b, &s); err != nil {
		return fmt.Errorf("a time is a number of seconds: %w", err)
	}
	if math.Abs(s) > MaxTime.Seconds() {
		return fmt.Errorf("%v seconds is beyond the %d hours that a film may last", s, MaxTime/Hour)
	}
	*t = FromSeconds(s)
	return nil
}

// Span is a stretch of the case clock, To not included; From == To is an instant.
type Span struct {
	From Time `json:"from"`
	To   Time `json:"to"`
}

// At is the instant t.
func At(t Time) Span { return Span{t, t} }

// Instant says whether s has no length.
func (s Span) Instant() bool { return s.From == s.To }

// Len is the length of s.
func (s Span) Len() Time { return s.To - s.From }

// Overlaps says whether s and o share film; touching ends share none.
func (s Span) Overlaps(o Span) bool { return s.From < o.To && o.From < s.To }

// String writes "02:20 to 03:00" or "05:35".
func (s Span) String() string {
	if s.Instant() {
		return s.From.String()
	}
	return s.From.String() + " to " + s.To.String()
}
