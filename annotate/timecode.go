package annotate

import (
	"fmt"
	"math"
	"math/big"
	"strconv"
	"strings"
)

// Rate is frames per second as a fraction, as films carry it: 25/1, 30000/1001.
type Rate struct {
	Num int64 `json:"num"`
	Den int64 `json:"den"`
}

// Valid says whether r can be computed with: not over 1000 frames a second, and
// its parts small enough to be multiplied.
func (r Rate) Valid() bool {
	return r.Num > 0 && r.Den > 0 && r.Den <= math.MaxInt32 && r.Num/r.Den <= 1000
}

// Float gives frames per second.
func (r Rate) Float() float64 {
	if !r.Valid() {
		return 0
	}
	return float64(r.Num) / float64(r.Den)
}

// String writes "25" or "30000/1001".
func (r Rate) String() string {
	if r.Den == 1 {
		return strconv.FormatInt(r.Num, 10)
	}
	return fmt.Sprintf("%d/%d", r.Num, r.Den)
}

// ParseRate reads "25" or "30000/1001".
func ParseRate(s string) (Rate, error) {
	n, d, slash := strings.Cut(s, "/")
	if !slash {
		d = "1"
	}
	num, err1 := strconv.ParseInt(n, 10, 64)
	den, err2 := strconv.ParseInt(d, 10, 64)
	r := Rate{num, den}
	if err1 != nil || err2 != nil || !r.Valid() {
		return Rate{}, fmt.Errorf("%q is not a frame rate; it looks like 25 or 30000/1001", s)
	}
	return r, nil
}

// TimeOf is the instant at which frame n (counted from 0) begins, rounded to
// the nearest microsecond. It is 0 where r is not valid.
func (r Rate) TimeOf(n int64) Time {
	if !r.Valid() {
		return 0
	}
	// n·den·10⁶/num, in big integers: n·den·10⁶ passes 64 bits after 77 hours.
	v := big.NewInt(n)
	v.Mul(v, big.NewInt(r.Den*int64(Second)*2)).Add(v, big.NewInt(r.Num))
	return Time(v.Div(v, big.NewInt(2*r.Num)).Int64())
}

// FrameAt is the frame on the screen at t: the last one that begins at or
// before it, allowing for the half microsecond that TimeOf may round by. It is
// 0 where r is not valid.
func (r Rate) FrameAt(t Time) int64 {
	if !r.Valid() {
		return 0
	}
	v := big.NewInt(2*int64(t) + 1)
	v.Mul(v, big.NewInt(r.Num))
	return v.Div(v, big.NewInt(2*r.Den*int64(Second))).Int64()
}

// nominal is the whole number of frames that a timecode second counts, and
// dropped the frame numbers left out at the start of nine minutes in ten so
// that the count keeps with the clock (SMPTE ST 12-1, 30000/1001 and its double).
func (r Rate) nominal(drop bool) (fps, dropped int64, err error) {
	if !r.Valid() {
		return 0, 0, fmt.Errorf("frame rate %v is not usable", r)
	}
	fps = (2*r.Num + r.Den) / (2 * r.Den)
	if fps == 0 {
		return 0, 0, fmt.Errorf("%v frames a second are too few for a timecode", r)
	}
	if !drop {
		return fps, 0, nil
	}
	if r.Den != 1001 || (fps != 30 && fps != 60) {
		return 0, 0, fmt.Errorf("drop-frame timecode needs 30000/1001 or 60000/1001 frames a second, not %v", r)
	}
	return fps, fps / 15, nil
}

// Timecode writes frame n as hh:mm:ss:ff, or hh:mm:ss;ff with dropped numbers.
func (r Rate) Timecode(n int64, drop bool) (string, error) {
	fps, d, err := r.nominal(drop)
	if err != nil {
		return "", err
	}
	if n < 0 {
		return "", fmt.Errorf("frame %d is before the first", n)
	}
	sep := ":"
	if drop {
		sep = ";"
		perMin, perTen := 60*fps-d, 600*fps-9*d
		tens, rest := n/perTen, n%perTen
		n += 9 * d * tens
		if rest >= d {
			n += d * ((rest - d) / perMin)
		}
	}
	s := n / fps
	return fmt.Sprintf("%02d:%02d:%02d%s%02d", s/3600, s/60%60, s%60, sep, n%fps), nil
}

// FrameOf reads a timecode back to its frame; a ';' or ',' before the frames
// says that numbers are dropped. A dropped number is an error.
func (r Rate) FrameOf(tc string) (int64, error) {
	bad := func() (int64, error) { return 0, fmt.Errorf("%q is not a timecode at %v frames a second", tc, r) }
	drop := strings.ContainsAny(tc, ";,")
	parts := strings.Split(strings.NewReplacer(";", ":", ",", ":").Replace(tc), ":")
	if len(parts) != 4 {
		return bad()
	}
	fps, d, err := r.nominal(drop)
	if err != nil {
		return 0, err
	}
	var v [4]int64
	for i, p := range parts {
		// A second of more than 100 frames counts them with three digits.
		if !digits(p) || len(p) > 2 && (i < 3 || fps <= 100 || len(p) > 4) {
			return bad()
		}
		v[i], _ = strconv.ParseInt(p, 10, 64)
	}
	if v[1] > 59 || v[2] > 59 || v[3] >= fps || (v[1]%10 != 0 && v[2] == 0 && v[3] < d) {
		return bad()
	}
	mins := v[0]*60 + v[1]
	return (mins*60+v[2])*fps + v[3] - d*(mins-mins/10), nil
}
