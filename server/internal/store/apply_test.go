package store

import (
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"strings"
	"sync"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"sideport/annotate"
)

// diffCases compares what people see; nil and empty are the same to them.
func diffCases(t *testing.T, want, got annotate.Case) {
	t.Helper()
	if diff := cmp.Diff(want, got, cmpopts.EquateEmpty()); diff != "" {
		t.Errorf("the case is not as it should be (- want, + got):\n%s", diff)
	}
}

// TestApply makes one edit of each sort and compares with what the edit itself
// says of the case, revs aside; the log says what was replaced.
func TestApply(t *testing.T) {
	note := remark("n2", 31, "moved")
	fresh := remark("n7", 5, "new")
	tests := []struct {
		name    string
		edit    annotate.Edit
		touched string // the note whose rev becomes the change's
		before  any    // what the log keeps; nil: nothing
		after   any
	}{
		{"change case", annotate.Edit{Head: &annotate.Case{Title: "Other", Status: annotate.Published, Hindsight: "less vacuum"}}, "", nil, nil},
		{"replace a note", annotate.Edit{PutNote: &note}, "n2", remark("n2", 30, "the second"), note},
		{"add a note", annotate.Edit{PutNote: &fresh}, "n7", nil, fresh},
		{"drop a note", annotate.Edit{DropNote: "n1"}, "", remark("n1", 10, "the first"), nil},
		{"attach", annotate.Edit{Attach: &annotate.Recording{ID: "r3", Hash: hash("d"), Captions: []annotate.Track{{Language: "en", Cues: cues("x", 1)}}}}, "", nil, nil},
		{"replace captions", annotate.Edit{Captions: &annotate.CaptionsEdit{Recording: "r1", Track: annotate.Track{Language: "en", Cues: cues("mended", 2)}}}, "",
			annotate.CaptionsEdit{Recording: "r1", Track: annotate.Track{Language: "en", Cues: cues("the bag is loose here", 3)}},
			annotate.CaptionsEdit{Recording: "r1", Track: annotate.Track{Language: "en", Cues: cues("mended", 2)}}},
		{"remove captions", annotate.Edit{Captions: &annotate.CaptionsEdit{Recording: "r1", Track: annotate.Track{Language: "de"}}}, "", nil, nil},
		{"new captions", annotate.Edit{Captions: &annotate.CaptionsEdit{Recording: "r2", Track: annotate.Track{Language: "fr", Cues: cues("là", 1)}}}, "",
			annotate.CaptionsEdit{Recording: "r2", Track: annotate.Track{Language: "fr"}}, nil},
		{"stills", annotate.Edit{Stills: []annotate.Still{{ID: "s2", Hash: hash("e")}}}, "",
			[]annotate.Still{{ID: "s1", When: "day 1", Hash: hash("c")}}, []annotate.Still{{ID: "s2", Hash: hash("e")}}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			s := newStore(t)
			apply(t, s, annotate.Edit{Case: "c0", Add: testCase()})
			apply(t, s, annotate.Edit{Case: "c1", Add: testCase()})
			was, other := read(t, s, "c1"), read(t, s, "c0")
			tt.edit.Case = "c1"
			ch := apply(t, s, tt.edit)
			want, err := tt.edit.Apply(was)
			if err != nil {
				t.Fatal(err)
			}
			want.Rev = ch.Seq
			for i := range want.Notes {
				if want.Notes[i].ID == tt.touched {
					want.Notes[i].Rev = ch.Seq
				}
			}
			diffCases(t, want, read(t, s, "c1"))
			diffCases(t, other, read(t, s, "c0"))
			sameTrace(t, "before", tt.before, ch.Before)
			sameTrace(t, "after", tt.after, ch.After)
			logged, err := s.Changes(t.Context(), 2, 0)
			if err != nil || len(logged) != 1 {
				t.Fatalf("the log has %d changes after the second, %v", len(logged), err)
			}
			if diff := cmp.Diff(ch, logged[0]); diff != "" {
				t.Errorf("the log differs from what was acknowledged:\n%s", diff)
			}
			if ch.Seq != 3 || ch.By != "a1" || ch.Case != "c1" || ch.Action != tt.edit.Action() || !strings.HasPrefix(ch.At, "2026-03-01T08:00:") {
				t.Errorf("the change says %+v", ch)
			}
		})
	}
}

// sameTrace compares what the log keeps, revs aside; nil want is not looked at.
func sameTrace(t *testing.T, what string, want any, got []byte) {
	t.Helper()
	if want == nil {
		return
	}
	var w, g any
	b, err := json.Marshal(want)
	if err != nil {
		t.Fatal(err)
	}
	if err := json.Unmarshal(b, &w); err != nil {
		t.Fatal(err)
	}
	if err := json.Unmarshal(got, &g); err != nil {
		t.Fatalf("%s is %q: %v", what, got, err)
	}
	for _, v := range []any{w, g} {
		if m, ok := v.(map[string]any); ok {
			delete(m, "rev")
		}
	}
	if diff := cmp.Diff(w, g); diff != "" {
		t.Errorf("%s differs:\n%s", what, diff)
	}
}

func TestDropAndUndo(t *testing.T) {
	s := newStore(t)
	apply(t, s, annotate.Edit{Case: "c1", Add: testCase()})
	apply(t, s, annotate.Edit{Case: "c10", Add: testCase()})
	if err := s.SetPrepared(t.Context(), "c1", "r1", annotate.Prepared{State: "ready"}); err != nil {
		t.Fatal(err)
	}
	was, other := read(t, s, "c1"), read(t, s, "c10")
	ch := apply(t, s, annotate.Edit{Case: "c1", Drop: true})
	if _, err := s.Case(t.Context(), "c1"); annotate.CauseOf(err) != annotate.Missing {
		t.Errorf("a dropped case: got %v, want Missing", err)
	}
	if left, err := s.Prepared(t.Context(), "c1"); err != nil || len(left) > 0 {
		t.Errorf("prepared things of a dropped case are left: %v, %v", left, err)
	}
	diffCases(t, other, read(t, s, "c10"))

	var back annotate.Case
	if err := json.Unmarshal(ch.Before, &back); err != nil {
		t.Fatal(err)
	}
	undone := apply(t, s, annotate.Edit{Case: "c1", Add: &back})
	was.Rev = undone.Seq
	for i := range was.Notes {
		was.Notes[i].Rev = undone.Seq
	}
	diffCases(t, was, read(t, s, "c1"))
}

// TestRefused: an edit that is refused changes nothing and is not in the log.
func TestRefused(t *testing.T) {
	n, unknown, slash := remark("n1", 11, "again"), remark("n1", 12, "x"), remark("a/b", 12, "x")
	unknown.Kind = "mystery"
	twins := testCase()
	twins.Notes = append(twins.Notes, remark("n1", 40, "twin"))
	nameless := testCase()
	nameless.Recordings[0].Captions[0].Language = ""
	tests := []struct {
		name string
		edit annotate.Edit
		want annotate.Cause
	}{
		{"empty", annotate.Edit{Case: "c1"}, annotate.Invalid},
		{"no such case", annotate.Edit{Case: "c2", DropNote: "n1"}, annotate.Missing},
		{"no such note", annotate.Edit{Case: "c1", DropNote: "n99"}, annotate.Missing},
		{"case is there", annotate.Edit{Case: "c1", Add: testCase()}, annotate.Conflict},
		{"case changed since", annotate.Edit{Case: "c1", IfRev: 1, Head: &annotate.Case{Title: "x", Status: annotate.Draft}}, annotate.Conflict},
		{"note changed since", annotate.Edit{Case: "c1", IfRev: 1, PutNote: &n}, annotate.Conflict},
		{"note breaks a rule", annotate.Edit{Case: "c1", PutNote: &unknown}, annotate.Invalid},
		{"id with a slash", annotate.Edit{Case: "c1", PutNote: &slash}, annotate.Invalid},
		{"case id with a slash", annotate.Edit{Case: "../c", Add: testCase()}, annotate.Invalid},
		{"case without id", annotate.Edit{Add: testCase()}, annotate.Invalid},
		{"control character in an id", annotate.Edit{Case: "c\x00", Add: testCase()}, annotate.Invalid},
		{"id too long", annotate.Edit{Case: strings.Repeat("c", maxID+1), Add: testCase()}, annotate.Invalid},
		{"two notes of one id", annotate.Edit{Case: "c2", Add: twins}, annotate.Invalid},
		{"two recordings of one id", annotate.Edit{Case: "c1", Attach: &annotate.Recording{ID: "r1"}}, annotate.Invalid},
		{"captions without language", annotate.Edit{Case: "c2", Add: nameless}, annotate.Invalid},
	}
	s := newStore(t)
	apply(t, s, annotate.Edit{Case: "c1", Add: testCase()})
	first := remark("n1", 10, "changed by somebody")
	apply(t, s, annotate.Edit{Case: "c1", IfRev: 1, PutNote: &first})
	was := read(t, s, "c1")
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			if _, err := s.Apply(t.Context(), "a1", tt.edit); annotate.CauseOf(err) != tt.want {
				t.Errorf("got %v, want %s", err, tt.want)
			}
			diffCases(t, was, read(t, s, "c1"))
			if got := lastSeq(t, s); got != 2 {
				t.Errorf("the log ends at %d, want 2", got)
			}
		})
	}
	// A note's rev is its own: another's change is no conflict.
	n2 := remark("n2", 30, "also changed")
	if ch := apply(t, s, annotate.Edit{Case: "c1", IfRev: 1, PutNote: &n2}); ch.Seq != 3 {
		t.Errorf("got change %d, want 3", ch.Seq)
	}
}

// TestModel makes many edits by chance and holds the library against plain
// values that went through the same.
func TestModel(t *testing.T) {
	s, model, rnd := newStore(t), map[string]annotate.Case{}, rand.New(rand.NewPCG(1, 2))
	for range 400 {
		e := randomEdit(rnd, model)
		want, refused := e.Apply(model[e.Case])
		ch, err := s.Apply(t.Context(), "a1", e)
		if (err == nil) != (refused == nil) {
			t.Fatalf("%s of %s: got %v, the model says %v", e.Action(), e.Case, err, refused)
		}
		if err != nil {
			continue
		}
		if e.Drop {
			delete(model, e.Case)
			continue
		}
		want.Rev = ch.Seq
		for i, n := range want.Notes {
			if e.Add != nil || n.ID == noteOf(e) {
				want.Notes[i].Rev = ch.Seq
			}
		}
		model[e.Case] = want
		diffCases(t, want, read(t, s, e.Case))
	}
	seen := 0
	err := s.EachCase(t.Context(), func(c annotate.Case) error {
		seen++
		diffCases(t, model[c.ID], c)
		return nil
	})
	if n, _ := s.Count(t.Context()); err != nil || seen != len(model) || n != seen {
		t.Errorf("saw %d cases and counted %d of %d, %v", seen, n, len(model), err)
	}
}

func randomEdit(r *rand.Rand, model map[string]annotate.Case) annotate.Edit {
	e := annotate.Edit{Case: fmt.Sprintf("c%d", r.IntN(4))}
	if _, ok := model[e.Case]; !ok {
		e.Add = testCase()
		return e
	}
	recording, language := []string{"r1", "r2"}[r.IntN(2)], []string{"en", "de", "fr"}[r.IntN(3)]
	switch r.IntN(12) {
	case 0:
		e.Drop = true
	case 1:
		e.Head = &annotate.Case{Title: fmt.Sprint("title ", r.IntN(9)), Status: annotate.Draft}
	case 2, 3:
		e.Captions = &annotate.CaptionsEdit{Recording: recording, Track: annotate.Track{Language: language, Cues: cues("x", r.IntN(4))}}
	case 4:
		e.Stills = []annotate.Still{{ID: "s1", Hash: hash(fmt.Sprint(r.IntN(9)))}}
	case 5:
		e.Attach = &annotate.Recording{ID: fmt.Sprint("x", len(model[e.Case].Recordings)), Hash: hash("f"), Captions: []annotate.Track{{Language: language, Cues: cues("y", r.IntN(3))}}}
	case 6, 7:
		e.DropNote = fmt.Sprint("n", r.IntN(9))
	default:
		n := remark(fmt.Sprint("n", r.IntN(9)), r.IntN(500), fmt.Sprint("words ", r.IntN(99)))
		e.PutNote = &n
	}
	return e
}

func TestConcurrentAppliers(t *testing.T) {
	s := newStore(t)
	apply(t, s, annotate.Edit{Case: "c1", Add: testCase()})
	const people, each = 8, 10
	var wait sync.WaitGroup
	for p := range people {
		wait.Go(func() {
			for i := range each {
				n := remark(fmt.Sprintf("p%d-%d", p, i), i, "at once")
				if _, err := s.Apply(t.Context(), fmt.Sprint("a", p), annotate.Edit{Case: "c1", PutNote: &n}); err != nil {
					t.Error(err)
				}
				if _, err := s.Case(t.Context(), "c1"); err != nil {
					t.Error(err)
				}
			}
		})
	}
	wait.Wait()
	if got := len(read(t, s, "c1").Notes); got != 3+people*each {
		t.Errorf("%d notes, want %d", got, 3+people*each)
	}
	// Of those who change one note from the same rev, one is heard.
	rev, won := read(t, s, "c1").Notes[0], make(chan bool, people)
	for range people {
		wait.Go(func() {
			n := rev
			_, err := s.Apply(t.Context(), "a1", annotate.Edit{Case: "c1", IfRev: rev.Rev, PutNote: &n})
			if err != nil && annotate.CauseOf(err) != annotate.Conflict {
				t.Error(err)
			}
			won <- err == nil
		})
	}
	wait.Wait()
	close(won)
	winners := 0
	for w := range won {
		if w {
			winners++
		}
	}
	if winners != 1 {
		t.Errorf("%d of %d writers from the same rev were heard, want 1", winners, people)
	}
}

// TestNoteIsSmall counts the bytes of pages that a note's write takes beside
// long captions and many notes.
func TestNoteIsSmall(t *testing.T) {
	s := newStore(t)
	c := testCase()
	c.Recordings[0].Captions[0].Cues = cues(strings.Repeat("a long narration ", 8), 4000)
	for i := range 1000 {
		c.Notes = append(c.Notes, remark(fmt.Sprintf("m%d", i), i%600, "one of many"))
	}
	apply(t, s, annotate.Edit{Case: "c1", Add: c})
	before := s.db.Stats()
	n := remark("m500", 7, "changed")
	apply(t, s, annotate.Edit{Case: "c1", PutNote: &n})
	after := s.db.Stats()
	diff := after.Sub(&before)
	if got := diff.TxStats.GetPageAlloc(); got > 64<<10 {
		t.Errorf("a note took %d bytes of pages, want at most %d", got, 64<<10)
	}
}

func TestChanges(t *testing.T) {
	s := newStore(t)
	apply(t, s, annotate.Edit{Case: "c1", Add: testCase()})
	for i := range 5 {
		n := remark("n1", i, "x")
		apply(t, s, annotate.Edit{Case: "c1", PutNote: &n})
	}
	tests := []struct {
		after uint64
		limit int
		want  []uint64
	}{
		{0, 0, []uint64{1, 2, 3, 4, 5, 6}}, {2, 2, []uint64{3, 4}}, {5, 9, []uint64{6}}, {6, 9, nil}, {99, 0, nil},
	}
	for _, tt := range tests {
		changes, err := s.Changes(t.Context(), tt.after, tt.limit)
		if err != nil {
			t.Fatal(err)
		}
		var got []uint64
		for _, c := range changes {
			got = append(got, c.Seq)
		}
		if diff := cmp.Diff(tt.want, got); diff != "" {
			t.Errorf("changes after %d, at most %d:\n%s", tt.after, tt.limit, diff)
		}
	}
}

func TestUses(t *testing.T) {
	s := newStore(t)
	c := testCase()
	c.Title = `quoting "hash":"` + hash("9") + `" changes nothing`
	c.Notes[0].Words = c.Title
	apply(t, s, annotate.Edit{Case: "c1", Add: c})
	for h, want := range map[string]bool{hash("a"): true, hash("b"): true, hash("c"): true, hash("d"): false, hash("9"): false, "a": false, "": false} {
		if got, err := s.Uses(t.Context(), h); err != nil || got != want {
			t.Errorf("uses %q: got %v, %v, want %v", h, got, err, want)
		}
	}
	apply(t, s, annotate.Edit{Case: "c1", Drop: true})
	if got, err := s.Uses(t.Context(), hash("a")); err != nil || got {
		t.Errorf("a dropped case uses its film: %v, %v", got, err)
	}
}
