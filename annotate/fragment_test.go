package annotate

import (
	"encoding/json"
	"os"
	"strings"
	"testing"
)

// fragmentCase is the expected parse of a W3C test case: the last of t, if any.
type fragmentCase struct {
	Hash struct {
		T []struct {
			Unit, Start, End string
			StartNormalized  any
			EndNormalized    any
		}
	}
}

// The specification's own test cases. Those with a time of day are the whole
// film to us; timecodes have no seconds in the table and follow below.
func TestParseFragmentVectors(t *testing.T) {
	data, err := os.ReadFile("testdata/media-fragments.tsv")
	if err != nil {
		t.Fatal(err)
	}
	counted := 0
	for line := range strings.Lines(string(data)) {
		col := strings.Split(strings.TrimSpace(line), "\t")
		var want fragmentCase
		if err := json.Unmarshal([]byte(col[len(col)-1]), &want); err != nil {
			t.Fatalf("%s: %v", col[0], err)
		}
		counted++
		_, fragment, _ := strings.Cut(col[1], "#")
		from, to, ok := ParseFragment("#" + fragment)
		if len(want.Hash.T) == 0 || want.Hash.T[0].Unit == "clock" {
			if ok {
				t.Errorf("%s %s = %v to %v, want the whole", col[0], fragment, from, to)
			}
			continue
		}
		w := want.Hash.T[len(want.Hash.T)-1]
		if !ok {
			t.Errorf("%s %s is the whole, want %+v", col[0], fragment, w)
		} else if w.Unit == "npt" && (from != secondsOr(w.StartNormalized, 0) || to != secondsOr(w.EndNormalized, MaxTime)) {
			t.Errorf("%s %s = %v to %v, want %+v", col[0], fragment, from, to, w)
		}
	}
	if counted != 90 {
		t.Errorf("%d cases, want 90", counted)
	}
}

func secondsOr(v any, otherwise Time) Time {
	if s, ok := v.(float64); ok {
		return FromSeconds(s)
	}
	return otherwise
}

func TestParseFragment(t *testing.T) {
	for _, tt := range []struct {
		in       string
		from, to Time
		ok       bool
	}{
		{"t=421.3", 421_300_000, MaxTime, true}, // a deep link
		{"?t=421.3", 421_300_000, MaxTime, true},
		{"t=30,60", 30 * Second, 60 * Second, true},
		{"t=npt:10", 10 * Second, MaxTime, true},
		{"t=,7", 0, 7 * Second, true},
		{"t=0", 0, MaxTime, true},
		{"t=1:02:03.5,", 0, 0, false},
		{"t=01:02.5", 62_500_000, MaxTime, true},
		{"t=123:00:00", 0, 0, false},
		{"t=99:59:59", 359_999 * Second, MaxTime, true},
		{"t=3&t=9,4", 3 * Second, MaxTime, true},
		{"t=%zz", 0, 0, false},
		{"t=%FF", 0, 0, false},
		{"t=smpte-25:0:00:03,0:00:07", 3 * Second, 7 * Second, true},
		{"t=smpte:0:00:03:15.50", 3_516_667, MaxTime, true}, // 105.5 frames of 1/30 s
		{"t=smpte-25:0:00:03:25", 0, 0, false},
		{"t=smpte-30-drop:0:01:00:02", 60_060_000, MaxTime, true}, // frame 1800 of 30000/1001
		{"t=smpte-30-drop:0:01:00:00", 0, 0, false},               // a dropped number
		{"t=smpte-24:0:00:03", 0, 0, false},
		{"t=npt:smpte:0:00:03", 0, 0, false},
		{"t=smpte:npt:0:00:03", 0, 0, false},
		{"t=npt:npt:3", 0, 0, false},
		{"", 0, 0, false},
		{"3", 0, 0, false},
		{"xywh=1,2,3,4&t=5", 5 * Second, MaxTime, true},
	} {
		from, to, ok := ParseFragment(tt.in)
		if ok != tt.ok || ok && (from != tt.from || to != tt.to) {
			t.Errorf("ParseFragment(%q) = %v, %v, %v; want %v, %v, %v", tt.in, from, to, ok, tt.from, tt.to, tt.ok)
		}
	}
}

func TestFragment(t *testing.T) {
	for s, want := range map[Span]string{
		{30 * Second, 60*Second + 500*Millisecond}: "t=30,60.5",
		At(421_300_000):         "t=421.3",
		{3971_240_001, MaxTime}: "t=3971.240001",
		{0, 0}:                  "t=0",
	} {
		if got := s.Fragment(); got != want {
			t.Errorf("%v.Fragment() = %q, want %q", s, got, want)
		}
	}
}

func FuzzParseFragment(f *testing.F) {
	for _, s := range []string{"t=3,7", "t=npt:1:00:00.5,", "#t=smpte-30-drop:0:01:00:02.10,0:02:00:02", "%74=%33", "t=,", "t=clock:2010"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		from, to, ok := ParseFragment(s)
		if !ok {
			if from != 0 || to != 0 {
				t.Errorf("ParseFragment(%q) gives %v, %v beside false", s, from, to)
			}
			return
		}
		if from < 0 || to <= from || to > MaxTime {
			t.Fatalf("ParseFragment(%q) = %v, %v", s, from, to)
		}
		again := Span{from, to}.Fragment()
		if a, b, ok := ParseFragment(again); !ok || a != from || b != to {
			t.Errorf("%q gives %v, %v, %v; want %v, %v", again, a, b, ok, from, to)
		}
	})
}
