package jobs

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"sideport/annotate"
)

func TestCancel(t *testing.T) {
	cancel := func(t *testing.T, q *Queue, id string) {
		t.Helper()
		if err := q.Cancel(t.Context(), id); err != nil {
			t.Errorf("cancel %s: %v", id, err)
		}
	}
	t.Run("waiting", func(t *testing.T) {
		synctest.Test(t, func(t *testing.T) {
			shelf, g := newMemory(), newGate()
			close(g.open)
			q := New(shelf, map[string]Handler{"x": g.handle}, Options{})
			id := add(t, q, "x", "s", nil)
			cancel(t, q, id)
			run(t, q)
			wait(t, q)
			if j := job(t, q, id); j.State != Failed || j.Say != sayCancelled || len(g.starts) > 0 || shelf.kept(t, id).State != Failed {
				t.Errorf("got %+v after %d starts", j, len(g.starts))
			}
		})
	})
	t.Run("working", func(t *testing.T) {
		synctest.Test(t, func(t *testing.T) {
			shelf, g := newMemory(), newGate()
			q := New(shelf, map[string]Handler{"x": g.handle}, Options{})
			id := add(t, q, "x", "s", nil)
			run(t, q)
			synctest.Wait()
			cancel(t, q, id)
			if j := job(t, q, id); j.State != Failed || j.Say != sayCancelled || g.in != 0 || shelf.kept(t, id).State != Failed {
				t.Errorf("got %+v, with %d still at work", j, g.in)
			}
			cancel(t, q, id) // once more changes nothing
			wait(t, q)
		})
	})
	t.Run("one that does not listen", func(t *testing.T) {
		synctest.Test(t, func(t *testing.T) {
			shelf, open := newMemory(), make(chan struct{})
			q := New(shelf, map[string]Handler{"x": func(context.Context, Job, func(float64)) error { <-open; return nil }}, Options{})
			id := add(t, q, "x", "s", nil)
			run(t, q)
			synctest.Wait()
			ctx, stop := context.WithTimeout(t.Context(), time.Minute)
			defer stop()
			if err := q.Cancel(ctx, id); !errors.Is(err, context.DeadlineExceeded) {
				t.Errorf("got %v, want the deadline", err)
			}
			if shelf.kept(t, id).State != Failed {
				t.Error("a crash now would take the cancelled job up again")
			}
			close(open)
			wait(t, q)
			if j := job(t, q, id); j.State != Done {
				t.Errorf("it finished and is %s", j.State)
			}
		})
	})
	t.Run("unknown", func(t *testing.T) {
		if err := New(newMemory(), nil, Options{}).Cancel(t.Context(), "7"); annotate.CauseOf(err) != annotate.Missing {
			t.Errorf("got %v, want Missing", err)
		}
	})
}

// TestCrash copies the shelf while a job is being worked on, as a crash would
// leave it, and goes on from there.
func TestCrash(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		shelf, g := newMemory(), newGate()
		q := New(shelf, map[string]Handler{"x": g.handle}, Options{})
		id := add(t, q, "x", "s", "args")
		later := add(t, q, "x", "t", nil)
		run(t, q)
		for try := 1; try <= 3; try++ {
			synctest.Wait()
			crashed := newMemory()
			crashed.values = maps.Clone(shelf.values)
			if j := crashed.kept(t, id); j.State != Working || j.Tries != try {
				t.Fatalf("at crash %d the shelf says %+v", try, j)
			}
			g = newGate()
			q = New(crashed, map[string]Handler{"x": g.handle}, Options{})
			shelf = crashed
			if try < 3 {
				if j := job(t, q, id); j.State != Waiting || j.Tries != try || string(j.Args) != `"args"` {
					t.Errorf("after crash %d: %+v, want it waiting", try, j)
				}
			}
			run(t, q)
		}
		close(g.open)
		wait(t, q)
		if j := job(t, q, id); j.State != Failed || !strings.Contains(j.Say, "3 times") {
			t.Errorf("what ended the program three times: %+v, want it failed", j)
		}
		if j := job(t, q, later); j.State != Done {
			t.Errorf("the one behind it: %+v, want it done", j)
		}
		if next := add(t, q, "x", "u", nil); next <= later {
			t.Errorf("the new id %s does not follow %s", next, later)
		}
	})
}

func TestShutdown(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		shelf, g := newMemory(), newGate()
		q := New(shelf, map[string]Handler{"x": g.handle}, Options{MaxTries: 1})
		id := add(t, q, "x", "s", nil)
		for range 3 {
			stop := run(t, q)
			synctest.Wait()
			if err := q.Run(t.Context()); err == nil {
				t.Error("the queue was worked on twice at once")
			}
			stop()
			if j := shelf.kept(t, id); j.State != Waiting || j.Tries != 0 || g.in != 0 {
				t.Errorf("after the end: %+v, want it back in the queue, untried", j)
			}
		}
		close(g.open)
		run(t, q)
		wait(t, q)
		if j := job(t, q, id); j.State != Done || j.Tries != 1 {
			t.Errorf("got %+v, want it done", j)
		}
	})
}

func TestShelfBreaks(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		full := annotate.Faultf(annotate.Busy, "The disk is full.")
		shelf, g := newMemory(), newGate()
		q := New(shelf, map[string]Handler{"x": g.handle}, Options{})
		id := add(t, q, "x", "s", nil)
		shelf.breakWith(full)
		if _, err := q.Add(t.Context(), "x", "t", nil); annotate.CauseOf(err) != annotate.Busy {
			t.Errorf("add on a full disk: got %v, want Busy", err)
		}
		if err := q.Cancel(t.Context(), id); annotate.CauseOf(err) != annotate.Busy {
			t.Errorf("cancel on a full disk: got %v, want Busy", err)
		}
		run(t, q)
		synctest.Wait()
		if j := job(t, q, id); j.State != Waiting || j.Tries != 0 || len(g.starts) > 0 {
			t.Errorf("begun without being entered: %+v", j)
		}
		shelf.breakWith(nil)
		close(g.open)
		wait(t, q)
		if j := job(t, q, id); j.State != Done || j.Tries != 1 {
			t.Errorf("after space was made: %+v, want it done", j)
		}
	})
}

func TestUnreadable(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		shelf, g := newMemory(), newGate()
		close(g.open)
		shelf.values["jobs/0000000007"] = []byte("{")
		shelf.values["jobs/odd"] = []byte("{}")
		shelf.values["jobs/0000000003"] = []byte(`{"id": "0000000003", "kind": "gone", "subject": "s", "state": "waiting"}`)
		q := New(shelf, map[string]Handler{"x": g.handle}, Options{})
		if id := add(t, q, "x", "s", nil); id != "0000000008" {
			t.Errorf("the id %s does not follow the unreadable one's", id)
		}
		run(t, q)
		wait(t, q)
		if j := job(t, q, "0000000003"); j.State != Failed {
			t.Errorf("a job that nothing here does: %+v, want it failed", j)
		}
	})
	if _, err := New(newMemory(), nil, Options{}).Add(t.Context(), "x", "s", nil); err == nil {
		t.Error("work that nothing here does was added")
	}
	handlers := map[string]Handler{"x": newGate().handle}
	if _, err := New(newMemory(), handlers, Options{}).Add(t.Context(), "x", "s", func() {}); err == nil {
		t.Error("args that cannot be written were added")
	}
}

// TestKeepsFew: the list of what is over does not grow for ever.
func TestKeepsFew(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		shelf, g := newMemory(), newGate()
		close(g.open)
		q := New(shelf, map[string]Handler{"x": g.handle}, Options{})
		run(t, q)
		last := ""
		for i := range keepOver + 20 {
			last = add(t, q, "x", fmt.Sprint("s", i), nil)
		}
		wait(t, q)
		all, err := q.List(t.Context())
		if err != nil || len(all) != keepOver || len(shelf.values) != keepOver || all[len(all)-1].ID != last {
			t.Errorf("%d listed, %d kept, %v, want %d of each", len(all), len(shelf.values), err, keepOver)
		}
	})
}
