package annotate

import (
	"encoding/json"
	"math/rand/v2"
	"strings"
	"testing"
)

func TestParseTime(t *testing.T) {
	for in, want := range map[string]Time{
		"0": 0, "95": 95 * Second, "95.5": 95_500_000, "95.5s": 95_500_000, "01:35": 95 * Second, "90:00": 90 * Minute,
		"1:02:03.25": Hour + 2*Minute + 3_250_000, " 05:35.2 ": 335_200_000, "0.000001": 1, "0.0000004": 0, "100:00:00": MaxTime, "360000": MaxTime,
		"0.123456789": 123_457,
	} {
		if got, err := ParseTime(in); err != nil || got != want {
			t.Errorf("ParseTime(%q) = %v, %v; want %v", in, int64(got), err, int64(want))
		}
	}
	for in, say := range map[string]string{
		"": "not a time", "s": "not a time", "-5": "not a time", "1:60": "not a time", "1:2:60": "not a time", "1:60:00": "not a time",
		"1:2:3:4": "not a time", "1.5:00": "not a time", "5.": "not a time", ".5": "not a time", "1e3": "not a time", "0x10": "not a time",
		"5 s": "not a time", "٣": "not a time", "12345678": "not a time", "1.0123456789": "not a time", "NaN": "not a time",
		"100:00:00.1": "100 hours", "360001": "100 hours",
	} {
		if got, err := ParseTime(in); err == nil || !strings.Contains(err.Error(), say) {
			t.Errorf("ParseTime(%q) = %v, %v; want an error with %q", in, got, err, say)
		}
	}
}

func TestTimeString(t *testing.T) {
	for in, want := range map[Time]string{
		0: "00:00", 335 * Second: "05:35", 335_200_000: "05:35.2", 3_723_500_000: "1:02:03.5", 1: "00:00.000001", -90 * Second: "-01:30", MaxTime: "100:00:00",
	} {
		if got := in.String(); got != want {
			t.Errorf("%d.String() = %q, want %q", int64(in), got, want)
		}
	}
	if got := Time(335_900_000).Clock(); got != "05:35" {
		t.Errorf("Clock = %q", got)
	}
	rnd := rand.New(rand.NewPCG(1, 1))
	for range 20_000 {
		want := Time(rnd.Int64N(int64(MaxTime) + 1))
		if got, err := ParseTime(want.String()); err != nil || got != want {
			t.Fatalf("ParseTime(%q) = %d, %v; want %d", want, int64(got), err, int64(want))
		}
		js, _ := json.Marshal(want)
		var back Time
		if err := json.Unmarshal(js, &back); err != nil || back != want {
			t.Fatalf("%s from JSON = %d, %v; want %d", js, int64(back), err, int64(want))
		}
	}
}

func TestTimeJSON(t *testing.T) {
	if js, err := json.Marshal(Time(335_200_000)); err != nil || string(js) != "335.2" {
		t.Errorf("JSON = %s, %v", js, err)
	}
	var v Time
	for in, say := range map[string]string{`"5"`: "number of seconds", `360001`: "100 hours", `-1e300`: "100 hours", `1e999`: "number of seconds", `{}`: "number of seconds"} {
		if err := json.Unmarshal([]byte(in), &v); err == nil || !strings.Contains(err.Error(), say) {
			t.Errorf("%s read as %v, %v; want an error with %q", in, v, err, say)
		}
	}
}

func TestSpan(t *testing.T) {
	a := Span{2 * Second, 5 * Second}
	for o, want := range map[Span]bool{
		{0, 2 * Second}: false, {5 * Second, 6 * Second}: false, {0, 3 * Second}: true, {3 * Second, 4 * Second}: true, {4 * Second, 9 * Second}: true,
		At(3 * Second): true, At(2 * Second): false,
	} {
		if a.Overlaps(o) != want || o.Overlaps(a) != want {
			t.Errorf("%v overlaps %v: want %v both ways", a, o, want)
		}
	}
	if a.Len() != 3*Second || a.Instant() || !At(1).Instant() || a.String() != "00:02 to 00:05" || At(Second).String() != "00:01" {
		t.Errorf("%v, %v, %v", a.Len(), a, At(Second))
	}
}

func FuzzParseTime(f *testing.F) {
	for _, s := range []string{"95", "95.5", "01:35", "1:02:03.25", "95.5s", "59.9999999", "100:00:00", "::", "1:"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		got, err := ParseTime(s)
		if err != nil {
			return
		}
		if got < 0 || got > MaxTime {
			t.Fatalf("ParseTime(%q) = %d", s, int64(got))
		}
		if again, err := ParseTime(got.String()); err != nil || again != got {
			t.Errorf("ParseTime(%q) = %v, and that is read as %v, %v", s, got, again, err)
		}
	})
}
