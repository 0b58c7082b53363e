package jobs

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"math"
	"runtime"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/google/go-cmp/cmp"

	"sideport/annotate"
)

// memory is a shelf that outlives queues, as the library does. broken, where
// set, is what writing says.
type memory struct {
	mu     sync.Mutex
	values map[string][]byte
	broken error
}

func newMemory() *memory { return &memory{values: map[string][]byte{}} }

func (m *memory) Keep(ctx context.Context, shelf, key string, value []byte) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	if err := errors.Join(ctx.Err(), m.broken); err != nil {
		return err
	}
	m.values[shelf+"/"+key] = slices.Clone(value)
	return nil
}

func (m *memory) Forget(ctx context.Context, shelf, key string) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	delete(m.values, shelf+"/"+key)
	return errors.Join(ctx.Err(), m.broken)
}

func (m *memory) Each(ctx context.Context, shelf string, fn func(string, []byte) error) error {
	m.mu.Lock()
	all := maps.Clone(m.values)
	m.mu.Unlock()
	for k, v := range all {
		if key, ok := strings.CutPrefix(k, shelf+"/"); ok {
			if err := fn(key, v); err != nil {
				return err
			}
		}
	}
	return ctx.Err()
}

// kept is a job as it lies on the shelf.
func (m *memory) kept(t *testing.T, id string) (j Job) {
	t.Helper()
	m.mu.Lock()
	defer m.mu.Unlock()
	if err := json.Unmarshal(m.values[shelfName+"/"+id], &j); err != nil {
		t.Fatalf("job %s on the shelf: %v", id, err)
	}
	return j
}

func (m *memory) breakWith(err error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.broken = err
}

// run works on q in the bubble until the test ends or stop is called.
func run(t *testing.T, q *Queue) (stop func()) {
	t.Helper()
	ctx, cancel := context.WithCancel(t.Context())
	ended := make(chan error, 1)
	go func() { ended <- q.Run(ctx) }()
	stop = sync.OnceFunc(func() {
		cancel()
		if err := <-ended; err != nil {
			t.Errorf("run: %v", err)
		}
	})
	t.Cleanup(stop)
	return stop
}

func add(t *testing.T, q *Queue, kind, subject string, args any) string {
	t.Helper()
	id, err := q.Add(t.Context(), kind, subject, args)
	if err != nil {
		t.Fatalf("add %s of %s: %v", kind, subject, err)
	}
	return id
}

func job(t *testing.T, q *Queue, id string) Job {
	t.Helper()
	all, err := q.List(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	i := slices.IndexFunc(all, func(j Job) bool { return j.ID == id })
	if i < 0 {
		t.Fatalf("there is no job %s among %v", id, all)
	}
	return all[i]
}

func wait(t *testing.T, q *Queue) {
	t.Helper()
	if err := q.Wait(t.Context()); err != nil {
		t.Fatalf("wait: %v", err)
	}
}

func TestWorks(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		shelf := newMemory()
		var got []string
		q := New(shelf, map[string]Handler{"prepare": func(_ context.Context, j Job, _ func(float64)) error {
			var args struct{ Rate int }
			err := json.Unmarshal(j.Args, &args)
			got = append(got, fmt.Sprint(j.Subject, " ", args.Rate, " try ", j.Tries))
			return err
		}}, Options{})
		first := add(t, q, "prepare", "c1/r1", map[string]int{"Rate": 25})
		run(t, q)
		second := add(t, q, "prepare", "c1/r2", map[string]int{"Rate": 50})
		wait(t, q)
		if diff := cmp.Diff([]string{"c1/r1 25 try 1", "c1/r2 50 try 1"}, got); diff != "" {
			t.Errorf("what was done:\n%s", diff)
		}
		for _, id := range []string{first, second} {
			for where, j := range map[string]Job{"listed": job(t, q, id), "kept": shelf.kept(t, id)} {
				if j.State != Done || j.Done != 1 || j.Ended.IsZero() || j.Added.IsZero() {
					t.Errorf("%s: %+v, want it done", where, j)
				}
			}
		}
	})
}

func TestTriesAgain(t *testing.T) {
	tests := []struct {
		name  string
		fails []error // of each try, in order; then it works
		state State
		tries int
		say   string
		took  time.Duration
	}{
		{"works at once", nil, Done, 1, "", 0},
		{"works at the second try", []error{errors.New("pipe broke")}, Done, 2, "", 10 * time.Second},
		{"busy, twice", []error{annotate.Faultf(annotate.Busy, "The disk is full."), annotate.Faultf(annotate.Busy, "The disk is full.")}, Done, 3, "", 50 * time.Second},
		{"never works", slices.Repeat([]error{annotate.Faultf(annotate.Busy, "The disk is full.")}, 9), Failed, 3, "The disk is full.", 50 * time.Second},
		{"the program's own", slices.Repeat([]error{errors.New("exit status 187: /secret/path")}, 9), Failed, 3, "the log says more under job 0000000001", 50 * time.Second},
		{"invalid fails at once", []error{fmt.Errorf("probe: %w", annotate.Faultf(annotate.Invalid, "This is no film."))}, Failed, 1, "This is no film.", 0},
		{"what it was for is gone", []error{annotate.Faultf(annotate.Missing, "There is no case c1.")}, Failed, 1, "There is no case c1.", 0},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				shelf, begun := newMemory(), time.Now()
				q := New(shelf, map[string]Handler{"x": func(_ context.Context, j Job, _ func(float64)) error {
					if j.Tries <= len(tt.fails) {
						return tt.fails[j.Tries-1]
					}
					return nil
				}}, Options{})
				id := add(t, q, "x", "s", nil)
				run(t, q)
				wait(t, q)
				j := job(t, q, id)
				if j.State != tt.state || j.Tries != tt.tries || !strings.Contains(j.Say, tt.say) || tt.say == "" && j.Say != "" {
					t.Errorf("got %+v, want %s after %d tries, saying %q", j, tt.state, tt.tries, tt.say)
				}
				if strings.Contains(j.Say, "secret") {
					t.Errorf("%q shows people the program's own error", j.Say)
				}
				if took := time.Since(begun); took != tt.took {
					t.Errorf("took %v, want %v", took, tt.took)
				}
				if diff := cmp.Diff(j, shelf.kept(t, id)); diff != "" {
					t.Errorf("the shelf says otherwise:\n%s", diff)
				}
			})
		})
	}
}

func TestBackoff(t *testing.T) {
	for tries, want := range map[int]time.Duration{0: 10 * time.Second, 1: 10 * time.Second, 2: 40 * time.Second, 3: 160 * time.Second, 4: 10 * time.Minute, math.MaxInt: 10 * time.Minute} {
		if got := backoff(tries); got != want {
			t.Errorf("after %d tries: %v, want %v", tries, got, want)
		}
	}
}

func TestHandlerBreaks(t *testing.T) {
	for name, h := range map[string]func(){
		"panics":             func() { panic("at the disco") },
		"reads beyond":       func() { _ = []int{}[len(t.Name())] },
		"ends its goroutine": func() { runtime.Goexit() },
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				q := New(newMemory(), map[string]Handler{
					"bad":  func(context.Context, Job, func(float64)) error { h(); return nil },
					"good": func(context.Context, Job, func(float64)) error { return nil },
				}, Options{})
				bad, good := add(t, q, "bad", "s", nil), add(t, q, "good", "s", nil)
				run(t, q)
				wait(t, q)
				if j := job(t, q, bad); j.State != Failed || j.Tries != 1 || !strings.Contains(j.Say, bad) {
					t.Errorf("got %+v, want it failed at once", j)
				}
				if j := job(t, q, good); j.State != Done {
					t.Errorf("the next job: %+v, want it done", j)
				}
			})
		})
	}
}

// gate is a handler that waits to be let on, and counts who is in.
type gate struct {
	mu      sync.Mutex
	in, top int
	starts  []string
	open    chan struct{}
}

func newGate() *gate { return &gate{open: make(chan struct{})} }

func (g *gate) handle(ctx context.Context, j Job, _ func(float64)) error {
	g.mu.Lock()
	g.in++
	g.top = max(g.top, g.in)
	g.starts = append(g.starts, j.Subject)
	g.mu.Unlock()
	defer func() { g.mu.Lock(); g.in--; g.mu.Unlock() }()
	select {
	case <-ctx.Done():
		return context.Cause(ctx)
	case <-g.open:
		return nil
	}
}

func TestDedupe(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		g := newGate()
		q := New(newMemory(), map[string]Handler{"x": g.handle, "y": g.handle}, Options{Workers: 4})
		first := add(t, q, "x", "s", 1)
		if again := add(t, q, "x", "s", 2); again != first {
			t.Errorf("the same work waits twice, as %s and %s", first, again)
		}
		if got := string(job(t, q, first).Args); got != "2" {
			t.Errorf("the args are %s, want the newer 2", got)
		}
		if other := add(t, q, "y", "s", 1); other == first {
			t.Error("another kind is other work")
		}
		if other := add(t, q, "x", "t", 1); other == first {
			t.Error("another subject is other work")
		}
		run(t, q)
		synctest.Wait()
		after := add(t, q, "x", "s", 3)
		if after == first {
			t.Error("work that is under way does not count: the new one is done after it")
		}
		synctest.Wait()
		if j := job(t, q, after); j.State != Waiting || g.in != 3 {
			t.Errorf("the same work is done twice at once: %+v, %d at work", j, g.in)
		}
		close(g.open)
		wait(t, q)
		again := add(t, q, "x", "s", 4)
		wait(t, q)
		all, err := q.List(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		var ids []string
		for _, j := range all {
			ids = append(ids, j.ID)
		}
		if diff := cmp.Diff([]string{"0000000002", "0000000003", again}, ids); diff != "" {
			t.Errorf("what is over and was added again is still listed:\n%s", diff)
		}
	})
}

func TestWorkers(t *testing.T) {
	for _, workers := range []int{0, 1, 3} {
		t.Run(fmt.Sprint(workers), func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				g := newGate()
				q := New(newMemory(), map[string]Handler{"x": g.handle}, Options{Workers: workers})
				var want []string
				for i := range 12 {
					want = append(want, fmt.Sprint("s", i))
					add(t, q, "x", want[i], nil)
				}
				run(t, q)
				synctest.Wait()
				if g.in != max(workers, 1) {
					t.Errorf("%d at work, want %d", g.in, max(workers, 1))
				}
				close(g.open)
				wait(t, q)
				if g.top != max(workers, 1) || len(g.starts) != 12 {
					t.Errorf("%d done, %d at once, want 12 and %d", len(g.starts), g.top, max(workers, 1))
				}
				if workers < 2 && !slices.Equal(g.starts, want) {
					t.Errorf("done in the order %v, want that of adding", g.starts)
				}
			})
		})
	}
}

func TestProgress(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		step, late := make(chan float64), make(chan func(float64), 1)
		q := New(newMemory(), map[string]Handler{"x": func(_ context.Context, _ Job, progress func(float64)) error {
			late <- progress
			for done := range step {
				progress(done)
			}
			return nil
		}}, Options{})
		id := add(t, q, "x", "s", nil)
		run(t, q)
		for _, tt := range []struct{ say, want float64 }{{0.25, 0.25}, {0.5, 0.5}, {math.NaN(), 0.5}, {7, 1}, {-1, 0}} {
			step <- tt.say
			synctest.Wait()
			if j := job(t, q, id); j.Done != tt.want || j.State != Working {
				t.Errorf("after progress(%v): %v and %s, want %v", tt.say, j.Done, j.State, tt.want)
			}
		}
		close(step)
		wait(t, q)
		(<-late)(0.1)
		if j := job(t, q, id); j.Done != 1 {
			t.Errorf("progress after the end: %v, want 1", j.Done)
		}
	})
}

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
