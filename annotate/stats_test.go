package annotate

import (
	"math"
	"testing"

	"github.com/google/go-cmp/cmp"
)

func stage(id, concept string, from, to Time) Note {
	return Note{ID: id, Kind: "stage", Span: Span{from, to}, Term: Term{Concept: concept}, State: Inked}
}

// Video 269 of Cataract-101 (Schoeffmann et al., MMSys 2018; annotations.csv and
// videos.csv of the data set): 14,734 frames at 25 a second. The data set gives
// where each phase starts; it ends where the next does, or with the film. The
// first phase starts at frame 68, Rhexis at 1228 (the next at 2118),
// Phacoemulsification at 3478 (the next at 6864), the last phase at 14623.
func TestStageStatsCataract101(t *testing.T) {
	rate := Rate{25, 1}
	bounds := []struct {
		concept string
		frame   int64
	}{{"before rhexis", 68}, {"rhexis", 1228}, {"between", 2118}, {"phaco", 3478}, {"after phaco", 6864}, {"tonifying", 14623}, {"", 14734}}
	c := Case{Recordings: []Recording{{ID: "r1", Film: Film{Duration: rate.TimeOf(14734), Rate: rate}}}}
	for i, b := range bounds[:len(bounds)-1] {
		c.Notes = append(c.Notes, stage(b.concept, b.concept, rate.TimeOf(b.frame), rate.TimeOf(bounds[i+1].frame)))
	}
	s, ok := c.StageStats("")
	if !ok || s.Length != 589_360*Millisecond {
		t.Fatalf("length %v, %v; want 589.36 s", s.Length, ok)
	}
	if d := cmp.Diff([]Span{{0, 2720 * Millisecond}}, s.Gaps); d != "" {
		t.Errorf("gaps: %s", d)
	}
	if s.Covered != s.Length-2720*Millisecond || len(s.Overlaps) != 0 {
		t.Errorf("covered %v, overlaps %v", s.Covered, s.Overlaps)
	}
	want := map[string]Span{
		"rhexis":    {49_120 * Millisecond, 84_720 * Millisecond},
		"phaco":     {139_120 * Millisecond, 274_560 * Millisecond},
		"tonifying": {584_920 * Millisecond, 589_360 * Millisecond},
	}
	length := map[string]Time{"rhexis": 35_600 * Millisecond, "phaco": 135_440 * Millisecond, "tonifying": 4_440 * Millisecond}
	for _, st := range s.Stages {
		if w, ok := want[st.Note]; ok && (st.Span != w || st.Span.Len() != length[st.Note]) {
			t.Errorf("%s = %v (%v), want %v (%v)", st.Note, st.Span, st.Span.Len(), w, length[st.Note])
		}
	}
	if got := s.Totals[3]; got.Term.Concept != "phaco" || got.Time != length["phaco"] || math.Abs(got.Share-135.44/589.36) > 1e-12 {
		t.Errorf("phaco = %+v", got)
	}
}

func TestStageStats(t *testing.T) {
	film := func(id string, offset, length Time) Recording {
		return Recording{ID: id, Offset: offset, Film: Film{Duration: length}}
	}
	pencilled := stage("p", "x", 0, 100*Second)
	pencilled.State = Pencilled
	other := stage("o", "x", 0, 100*Second)
	other.Recording = "r2"
	for _, tt := range []struct {
		name  string
		films []Recording
		notes []Note
		want  StageStats
	}{
		{"none", []Recording{film("r1", 0, 100*Second)}, nil, StageStats{Length: 100 * Second, Gaps: []Span{{0, 100 * Second}}}},
		{"pencilled and other recordings do not count", []Recording{film("r1", 0, 100*Second), film("r2", 0, 100*Second)}, []Note{pencilled, other},
			StageStats{Length: 100 * Second, Gaps: []Span{{0, 100 * Second}}}},
		{"twice the same concept, touching, with an offset", []Recording{film("r1", 10*Second, 100*Second)},
			[]Note{stage("b", "x", 60*Second, 70*Second), stage("a", "x", 10*Second, 30*Second), stage("c", "y", 30*Second, 60*Second)},
			StageStats{Length: 100 * Second, Covered: 60 * Second, Gaps: []Span{{70 * Second, 110 * Second}},
				Stages: []StageTime{{"a", Term{Concept: "x"}, Span{10 * Second, 30 * Second}, 0.2}, {"c", Term{Concept: "y"}, Span{30 * Second, 60 * Second}, 0.3}, {"b", Term{Concept: "x"}, Span{60 * Second, 70 * Second}, 0.1}},
				Totals: []StageTotal{{Term{Concept: "x"}, 2, 30 * Second, 0.3}, {Term{Concept: "y"}, 1, 30 * Second, 0.3}}}},
		{"overlaps count once", []Recording{film("r1", 0, 100*Second)},
			[]Note{stage("a", "x", 0, 50*Second), stage("b", "x", 10*Second, 20*Second), stage("c", "x", 15*Second, 60*Second), stage("d", "x", 60*Second, 100*Second)},
			StageStats{Length: 100 * Second, Covered: 100 * Second, Overlaps: []Span{{10 * Second, 50 * Second}},
				Stages: []StageTime{{"a", Term{Concept: "x"}, Span{0, 50 * Second}, 0.5}, {"b", Term{Concept: "x"}, Span{10 * Second, 20 * Second}, 0.1}, {"c", Term{Concept: "x"}, Span{15 * Second, 60 * Second}, 0.45}, {"d", Term{Concept: "x"}, Span{60 * Second, 100 * Second}, 0.4}},
				Totals: []StageTotal{{Term{Concept: "x"}, 4, 145 * Second, 1.45}}}},
		{"clipped to the film", []Recording{film("r1", 0, 10*Second)}, []Note{stage("a", "x", 5*Second, 10*Second+500*Millisecond)},
			StageStats{Length: 10 * Second, Covered: 5 * Second, Gaps: []Span{{0, 5 * Second}},
				Stages: []StageTime{{"a", Term{Concept: "x"}, Span{5 * Second, 10 * Second}, 0.5}}, Totals: []StageTotal{{Term{Concept: "x"}, 1, 5 * Second, 0.5}}}},
		{"length unknown", []Recording{film("r1", 0, 0)}, []Note{stage("a", "x", 5*Second, 10*Second)},
			StageStats{Length: 10 * Second, Covered: 5 * Second, Gaps: []Span{{0, 5 * Second}},
				Stages: []StageTime{{"a", Term{Concept: "x"}, Span{5 * Second, 10 * Second}, 0.5}}, Totals: []StageTotal{{Term{Concept: "x"}, 1, 5 * Second, 0.5}}}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			c := Case{Recordings: tt.films, Notes: tt.notes}
			got, ok := c.StageStats("r1")
			if d := cmp.Diff(tt.want, got); d != "" || !ok {
				t.Errorf("StageStats (-want +got), %v:\n%s", ok, d)
			}
		})
	}
	if _, ok := (&Case{}).StageStats("r1"); ok {
		t.Error("statistics of a recording that is not there")
	}
}

// The worked example of the nearest-rank rule in common use (Wikipedia,
// "Percentile", nearest-rank method, example 1).
func TestPercentile(t *testing.T) {
	times := []Time{35, 15, 50, 20, 40}
	for p, want := range map[float64]Time{0: 15, 5: 15, 20: 15, 30: 20, 40: 20, 50: 35, 60: 35, 100: 50} {
		if got, ok := Percentile(times, p); !ok || got != want {
			t.Errorf("Percentile(%v) = %v, %v; want %d", p, int64(got), ok, int64(want))
		}
	}
	for _, p := range []float64{-1, 101, math.NaN()} {
		if _, ok := Percentile(times, p); ok {
			t.Errorf("Percentile(%v) is told", p)
		}
	}
	if _, ok := Percentile(nil, 50); ok {
		t.Error("a percentile of nothing is told")
	}
	if d := cmp.Diff([]Time{35, 15, 50, 20, 40}, times); d != "" {
		t.Error("Percentile sorts its argument")
	}
}
