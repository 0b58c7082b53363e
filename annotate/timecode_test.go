package annotate

import (
	"math"
	"strings"
	"testing"
)

var (
	r2997 = Rate{30000, 1001}
	r5994 = Rate{60000, 1001}
)

// Check values of SMPTE ST 12-1 (time and control code, drop-frame
// compensation): frame numbers 0 and 1 (0 to 3 at the double rate) are left out
// at the start of every minute but each tenth. The same values stand in the
// tests of OpenTimelineIO (tests/test_opentime.py) and are what the npm package
// smpte-timecode 1.3.6 computes.
func TestTimecodeDropFrame(t *testing.T) {
	for _, tt := range []struct {
		rate  Rate
		frame int64
		want  string
	}{
		{r2997, 0, "00:00:00;00"},
		{r2997, 1799, "00:00:59;29"},
		{r2997, 1800, "00:01:00;02"},
		{r2997, 3597, "00:01:59;29"},
		{r2997, 3598, "00:02:00;02"},
		{r2997, 17981, "00:09:59;29"},
		{r2997, 17982, "00:10:00;00"},
		{r2997, 107892, "01:00:00;00"},
		{r2997, 2589407, "23:59:59;29"},
		{r5994, 3599, "00:00:59;59"},
		{r5994, 3600, "00:01:00;04"},
		{r5994, 215784, "01:00:00;00"},
	} {
		if got, err := tt.rate.Timecode(tt.frame, true); err != nil || got != tt.want {
			t.Errorf("frame %d at %v = %q, %v; want %q", tt.frame, tt.rate, got, err, tt.want)
		}
		if got, err := tt.rate.FrameOf(tt.want); err != nil || got != tt.frame {
			t.Errorf("FrameOf(%q) at %v = %d, %v; want %d", tt.want, tt.rate, got, err, tt.frame)
		}
	}
	// One hour of timecode on the clock (ST 12-1): 3.6 ms short of it with
	// dropped numbers, 3.6 s long without.
	if got := r2997.TimeOf(107892); got != 3_599_996_400 {
		t.Errorf("one hour of drop-frame = %d µs, want 3599996400", int64(got))
	}
	if got := r2997.TimeOf(108000); got != 3_603_600_000 {
		t.Errorf("one hour of non-drop = %d µs, want 3603600000", int64(got))
	}
}

func TestTimecodeRoundTrip(t *testing.T) {
	for _, tt := range []struct {
		rate Rate
		drop bool
	}{{r2997, true}, {r5994, true}, {r2997, false}, {Rate{25, 1}, false}, {Rate{24000, 1001}, false}, {Rate{120, 1}, false}} {
		last := ""
		for n := int64(0); n < 40_000; n++ {
			tc, err := tt.rate.Timecode(n, tt.drop)
			if err != nil || tc == last {
				t.Fatalf("frame %d at %v = %q after %q, %v", n, tt.rate, tc, last, err)
			}
			if got, err := tt.rate.FrameOf(tc); err != nil || got != n {
				t.Fatalf("FrameOf(%q) at %v = %d, %v; want %d", tc, tt.rate, got, err, n)
			}
			last = tc
		}
	}
}

func TestTimecodeRefuses(t *testing.T) {
	for _, tc := range []string{"00:01:00;00", "00:01:00;01", "00:60:00;00", "00:00:60;00", "00:00:00;30", "00:00:00", "00::01:00:02", ":00:01:00:02",
		"00:01:00:02:", "a:00:00:00", "000:00:00:00", "00:00:00:000", "-1:00:00:00", ""} {
		if got, err := r2997.FrameOf(tc); err == nil {
			t.Errorf("FrameOf(%q) = %d, want an error", tc, got)
		}
	}
	if got, err := (Rate{25, 1}).FrameOf("00:00:00;10"); err == nil || !strings.Contains(err.Error(), "drop-frame") {
		t.Errorf("dropped numbers at 25 = %d, %v", got, err)
	}
	for name, r := range map[string]Rate{"zero": {}, "negative": {-25, 1}, "too slow": {1, 10}, "too fast": {1001, 1}, "too fine": {1 << 40, 1 << 35}} {
		if tc, err := r.Timecode(1, false); err == nil {
			t.Errorf("%s: timecode %q, want an error", name, tc)
		}
		if r.TimeOf(0) != 0 || r.FrameAt(0) != 0 || (!r.Valid() && (r.TimeOf(9) != 0 || r.FrameAt(9) != 0 || r.Float() != 0)) {
			t.Errorf("%s: %v, %v", name, r.TimeOf(9), r.FrameAt(9))
		}
	}
	if _, err := r2997.Timecode(-1, true); err == nil {
		t.Error("a frame before the first has a timecode")
	}
}

func TestFrameAtTimeOf(t *testing.T) {
	for _, r := range []Rate{{24000, 1001}, {24, 1}, {25, 1}, r2997, {30, 1}, {50, 1}, r5994, {60, 1}, {120000, 1001}} {
		last := int64(math.Ceil(MaxTime.Seconds() * r.Float()))
		step := last/10_000 + 1
		check := func(n int64) {
			if got := r.FrameAt(r.TimeOf(n)); got != n {
				t.Fatalf("FrameAt(TimeOf(%d)) = %d at %v", n, got, r)
			}
			if got := r.FrameAt(r.TimeOf(n+1) - 1); got != n {
				t.Fatalf("the microsecond before frame %d shows %d at %v", n+1, got, r)
			}
		}
		for n := range int64(5_000) {
			check(n)
		}
		for n := int64(0); n <= last; n += step {
			check(n)
		}
	}
	if got := r2997.FrameAt(-1); got != -1 {
		t.Errorf("the frame before the first = %d", got)
	}
}

func TestParseRate(t *testing.T) {
	for in, want := range map[string]Rate{"25": {25, 1}, "30000/1001": r2997, "1000": {1000, 1}} {
		if got, err := ParseRate(in); err != nil || got != want || got.String() != in {
			t.Errorf("ParseRate(%q) = %v, %v", in, got, err)
		}
	}
	for _, in := range []string{"", "0", "0/0", "25/0", "-25", "25/-1", "1001", "1/2/3", "25.0", "9223372036854775807/9223372036854775807", " 25"} {
		if got, err := ParseRate(in); err == nil {
			t.Errorf("ParseRate(%q) = %v, want an error", in, got)
		}
	}
}

func FuzzFrameOf(f *testing.F) {
	f.Add("00:01:00;02", int64(30000), int64(1001))
	f.Add("23:59:59:24", int64(25), int64(1))
	f.Fuzz(func(t *testing.T, tc string, num, den int64) {
		r := Rate{num, den}
		n, err := r.FrameOf(tc)
		if err != nil {
			return
		}
		if n < 0 {
			t.Fatalf("FrameOf(%q) = %d at %v", tc, n, r)
		}
		again, err := r.Timecode(n, strings.ContainsAny(tc, ";,"))
		if err != nil {
			t.Fatal(err)
		}
		if m, err := r.FrameOf(again); err != nil || m != n {
			t.Errorf("%q is frame %d, and its timecode %q is frame %d, %v", tc, n, again, m, err)
		}
	})
}
