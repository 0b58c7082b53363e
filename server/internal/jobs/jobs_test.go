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
