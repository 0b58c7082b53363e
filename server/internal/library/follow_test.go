package library

import (
	"context"
	"fmt"
	"maps"
	"slices"
	"testing"
	"testing/synctest"

	"sideport/annotate"
)

func TestTheIndexFollows(t *testing.T) {
	w := newWorld(t)
	ctx := t.Context()
	steps := func(want ...string) {
		t.Helper()
		if err := w.CatchUp(ctx); err != nil {
			t.Fatal(err)
		}
		if !slices.Equal(w.finder.steps, want) {
			t.Errorf("the index was given %q, want %q", w.finder.steps, want)
		}
		w.finder.steps = nil
		want = slices.Sorted(maps.Keys(w.cases))
		if got := slices.Sorted(maps.Keys(w.finder.docs)); !slices.Equal(got, want) {
			t.Errorf("it holds %q, want %q", got, want)
		}
	}
	steps() // an empty library
	a := w.mustAdd(t, "case.yaml", "title: a\n")
	steps("1: +1 -0")
	b := w.mustAdd(t, "case.yaml", "title: b\n")
	if err := w.DropCase(ctx, curator, a, 0); err != nil {
		t.Fatal(err)
	}
	steps("3: +1 -1")
	steps()
	if _, _, err := w.PutHead(ctx, curator, annotate.Case{ID: b, Title: "c", Status: annotate.Draft, Consent: annotate.Consent{Withdrawn: "2026-01-01"}}, 0); err != nil {
		t.Fatal(err)
	}
	steps("4: +1 -0") // the index itself leaves out what is withdrawn
	if err := w.Reindex(ctx); err != nil {
		t.Fatal(err)
	}
	steps("4: +1 -0")
}

// A rebuild goes by parts, and says which change it has reached with the last alone.
func TestRebuildByParts(t *testing.T) {
	w := newWorld(t)
	for i := range 2*batch + 1 {
		w.mustAdd(t, "case.yaml", fmt.Sprintf("title: case %d\n", i))
	}
	if err := w.CatchUp(t.Context()); err != nil {
		t.Fatal(err)
	}
	if want := []string{"0: +50 -0", "0: +50 -0", "101: +1 -0"}; !slices.Equal(w.finder.steps, want) {
		t.Errorf("given %q, want %q", w.finder.steps, want)
	}
	// One that is cut short begins anew.
	if err := w.finder.Clear(t.Context()); err != nil {
		t.Fatal(err)
	}
	seen := 0
	w.fail = func(n int) error {
		if w.calls[n] == "Finder.Apply" {
			seen++
		}
		if seen == 2 {
			return errDisk
		}
		return nil
	}
	if err := w.CatchUp(t.Context()); err == nil || w.finder.seq != 0 {
		t.Errorf("a rebuild cut short: %v, at change %d", err, w.finder.seq)
	}
	w.fail, w.finder.steps = nil, nil
	if err := w.CatchUp(t.Context()); err != nil || len(w.finder.steps) != 3 || w.finder.seq != 101 {
		t.Errorf("afterwards: %v, %q, at change %d", err, w.finder.steps, w.finder.seq)
	}
}

// Follow goes on after a failure, and ends with its context.
func TestFollow(t *testing.T) {
	w := newWorld(t)
	w.mustAdd(t, "case.yaml", "title: a\n")
	synctest.Test(t, func(t *testing.T) {
		w.wake = make(chan struct{}, 1)
		ctx, stop := context.WithCancel(t.Context())
		ended := make(chan error, 1)
		w.fail = func(int) error { return errDisk }
		go func() { ended <- w.Follow(ctx) }()
		synctest.Wait()
		if w.finder.seq != 0 {
			t.Errorf("at change %d in spite of a failure", w.finder.seq)
		}
		w.fail = nil
		w.wake <- struct{}{}
		synctest.Wait()
		if w.finder.seq != 1 {
			t.Errorf("at change %d after the next wake-up, want 1", w.finder.seq)
		}
		stop()
		if err := <-ended; err != nil {
			t.Error(err)
		}
	})
}
