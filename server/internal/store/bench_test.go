package store

import (
	"fmt"
	"strings"
	"testing"

	"sideport/annotate"
)

// BenchmarkNote writes a note of a case with long captions and many notes. It
// says how many bytes of pages that takes, which do not grow with either.
func BenchmarkNote(b *testing.B) {
	for _, notes := range []int{50, 1000} {
		b.Run(fmt.Sprint(notes, " notes"), func(b *testing.B) {
			s, err := Open(b.Context(), b.TempDir(), Options{})
			if err != nil {
				b.Fatal(err)
			}
			defer s.Close()
			c := testCase()
			c.Recordings[0].Captions[0].Cues = cues(strings.Repeat("a long narration ", 8), 4000)
			for i := range notes {
				c.Notes = append(c.Notes, remark(fmt.Sprintf("m%d", i), i%600, "one of many"))
			}
			if _, err := s.Apply(b.Context(), "a1", annotate.Edit{Case: "c1", Add: c}); err != nil {
				b.Fatal(err)
			}
			before, i := s.db.Stats(), 0
			for b.Loop() {
				n := remark("m7", i%600, "changed")
				if _, err := s.Apply(b.Context(), "a1", annotate.Edit{Case: "c1", PutNote: &n}); err != nil {
					b.Fatal(err)
				}
				i++
			}
			after := s.db.Stats()
			diff := after.Sub(&before)
			b.ReportMetric(float64(diff.TxStats.GetPageAlloc())/float64(i), "page-B/op")
		})
	}
}

// BenchmarkStart opens a library of a thousand cases and reads them all.
func BenchmarkStart(b *testing.B) {
	dir := b.TempDir()
	s, err := Open(b.Context(), dir, Options{})
	if err != nil {
		b.Fatal(err)
	}
	s.db.NoSync = true
	c := testCase()
	c.Recordings[0].Captions[0].Cues = cues("a narration of ten words or so, as people speak", 120)
	for i := range 50 {
		c.Notes = append(c.Notes, remark(fmt.Sprintf("m%d", i), i, "one of many, in some words"))
	}
	for i := range 1000 {
		if _, err := s.Apply(b.Context(), "a1", annotate.Edit{Case: fmt.Sprintf("c%04d", i), Add: c}); err != nil {
			b.Fatal(err)
		}
	}
	if err := s.Close(); err != nil {
		b.Fatal(err)
	}
	b.Run("open", func(b *testing.B) {
		for b.Loop() {
			s, err := Open(b.Context(), dir, Options{})
			if err != nil {
				b.Fatal(err)
			}
			s.Close()
		}
	})
	s, err = Open(b.Context(), dir, Options{})
	if err != nil {
		b.Fatal(err)
	}
	defer s.Close()
	b.Run("read all", func(b *testing.B) {
		for b.Loop() {
			if err := s.EachCase(b.Context(), func(annotate.Case) error { return nil }); err != nil {
				b.Fatal(err)
			}
		}
	})
	b.Run("is a film used", func(b *testing.B) {
		for b.Loop() {
			if used, err := s.Uses(b.Context(), hash("z")); used || err != nil {
				b.Fatal(used, err)
			}
		}
	})
}
