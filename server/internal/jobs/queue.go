package jobs

import (
	"cmp"
	"context"
	"encoding/json"
	"fmt"
	"log/slog"
	"maps"
	"math"
	"slices"
	"strconv"
	"sync"
	"time"

	"sideport/annotate"
)

// Shelf keeps the entries of the queue, each under its key, durably on return.
type Shelf interface {
	Keep(ctx context.Context, shelf, key string, value []byte) error
	Forget(ctx context.Context, shelf, key string) error
	Each(ctx context.Context, shelf string, fn func(key string, value []byte) error) error
}

const shelfName = "jobs"

// keepOver is how many jobs that are over are still listed.
const keepOver = 500

// Options of a queue. The zero value does.
type Options struct {
	Workers  int              // jobs at once; 0: one
	MaxTries int              // 0: three
	Now      func() time.Time // nil: time.Now
	Log      *slog.Logger     // nil: silent
}

// Queue is the queue of one process; the shelf is its alone. Its methods may
// be called at the same time.
type Queue struct {
	shelf    Shelf
	handlers map[string]Handler
	o        Options

	mu      sync.Mutex
	loaded  bool
	running bool // Run is under way
	jobs    map[string]*task
	last    uint64        // number of the last id given
	changed chan struct{} // closed and made anew when any state changes
}

// task is a job and, while it is worked on, the way to stop it.
type task struct {
	Job
	cancel    context.CancelCauseFunc
	cancelled bool
}

// New makes a queue of what lies on the shelf. Handlers are by kind.
func New(shelf Shelf, handlers map[string]Handler, o Options) *Queue {
	o.Workers, o.MaxTries = cmp.Or(max(o.Workers, 0), 1), cmp.Or(max(o.MaxTries, 0), 3)
	if o.Now == nil {
		o.Now = time.Now
	}
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	return &Queue{shelf: shelf, handlers: maps.Clone(handlers), o: o, jobs: map[string]*task{}, changed: make(chan struct{})}
}

// load reads the shelf once. What was being worked on when the process ended
// waits again, and fails when it ended so as often as may be tried: it may be
// what ends it. q.mu is held.
func (q *Queue) load(ctx context.Context) error {
	if q.loaded {
		return nil
	}
	all := map[string]*task{}
	err := q.shelf.Each(ctx, shelfName, func(key string, value []byte) error {
		t, n, err := readJob(key, value)
		q.last = max(q.last, n)
		if err != nil {
			// One entry that cannot be read must not stop all the others.
			q.o.Log.ErrorContext(ctx, "read a job", "job", key, "error", err)
			return nil
		}
		if t.State == Working {
			q.interrupted(t)
		}
		all[key] = t
		return nil
	})
	if err == nil {
		q.jobs, q.loaded = all, true
	}
	return err
}

func readJob(key string, value []byte) (t *task, n uint64, err error) {
	if n, err = strconv.ParseUint(key, 10, 64); err != nil {
		return nil, 0, err
	}
	t = &task{}
	if err := json.Unmarshal(value, &t.Job); err != nil {
		return nil, n, err
	}
	if t.ID != key {
		return nil, n, fmt.Errorf("it says that it is %q", t.ID)
	}
	return t, n, nil
}

func (q *Queue) interrupted(t *task) {
	t.State, t.Done = Waiting, 0
	if t.Tries >= q.o.MaxTries {
		t.State, t.Ended = Failed, q.o.Now().UTC()
		t.Say = fmt.Sprintf("The program ended %d times while at this, and it is not tried again by itself.", t.Tries)
	}
}

// Add enters work on subject, with args for its handler. The same work on the
// same subject that still waits is not entered twice: it takes the new args and
// its id is given. Work that is under way does not count: what is added then is
// done after it. An earlier job of the same that is over is forgotten.
func (q *Queue) Add(ctx context.Context, kind, subject string, args any) (id string, err error) {
	if q.handlers[kind] == nil {
		return "", fmt.Errorf("add a job: nothing here does %q", kind)
	}
	b, err := json.Marshal(args)
	if err != nil {
		return "", fmt.Errorf("add a job of %s for %s: %w", kind, subject, err)
	}
	q.mu.Lock()
	defer q.mu.Unlock()
	if err := q.load(ctx); err != nil {
		return "", err
	}
	j := Job{ID: jobID(q.last + 1), Kind: kind, Subject: subject, Args: b, State: Waiting, Added: q.o.Now().UTC()}
	var over []string
	for _, t := range q.jobs {
		if t.same(j) && t.State == Waiting {
			j = t.Job
			j.Args, j.Next = b, time.Time{}
		} else if t.same(j) && t.over() {
			over = append(over, t.ID)
		}
	}
	if err := q.keep(ctx, j); err != nil {
		return "", err
	}
	q.jobs[j.ID] = &task{Job: j}
	if j.ID == jobID(q.last+1) {
		q.last++
	}
	q.forget(ctx, over)
	q.tell()
	return j.ID, nil
}

// forget drops jobs that are over. One that cannot be dropped does no harm.
func (q *Queue) forget(ctx context.Context, ids []string) {
	for _, id := range ids {
		if err := q.shelf.Forget(ctx, shelfName, id); err != nil {
			q.o.Log.WarnContext(ctx, "forget an old job", "job", id, "error", err)
			continue
		}
		delete(q.jobs, id)
	}
}

func (q *Queue) keep(ctx context.Context, j Job) error {
	b, err := json.Marshal(j)
	if err != nil {
		return fmt.Errorf("keep job %s: %w", j.ID, err)
	}
	return q.shelf.Keep(ctx, shelfName, j.ID, b)
}

// tell wakes everyone who waits for a change. q.mu is held.
func (q *Queue) tell() {
	close(q.changed)
	q.changed = make(chan struct{})
}

// List gives all jobs in the order in which they were added; of those that are
// over, the last of each kind and subject.
func (q *Queue) List(ctx context.Context) ([]Job, error) {
	q.mu.Lock()
	defer q.mu.Unlock()
	if err := q.load(ctx); err != nil {
		return nil, err
	}
	var all []Job
	for _, id := range slices.Sorted(maps.Keys(q.jobs)) {
		all = append(all, q.jobs[id].Job)
	}
	return all, nil
}

// Cancel ends a job as failed. One that is being worked on is told to stop,
// and Cancel returns when it has, or when ctx ends; one that finishes in spite
// of it is done. One that is over stays as it is.
func (q *Queue) Cancel(ctx context.Context, id string) error {
	q.mu.Lock()
	defer q.mu.Unlock()
	if err := q.load(ctx); err != nil {
		return err
	}
	t := q.jobs[id]
	if t == nil {
		return annotate.Faultf(annotate.Missing, "There is no job %s; it may have been over for long.", id)
	}
	if t.over() {
		return nil
	}
	j := t.Job
	j.State, j.Say, j.Done, j.Ended = Failed, sayCancelled, 0, q.o.Now().UTC()
	// Kept first also for one at work: a crash before it stops must not revive it.
	if err := q.keep(ctx, j); err != nil {
		return err
	}
	if t.State == Waiting {
		t.Job = j
		q.tell()
		return nil
	}
	t.cancelled = true
	t.cancel(errCancelled)
	return q.until(ctx, func() bool { return t.State != Working })
}

// Wait returns when nothing waits or is worked on, what failed aside. Run must
// be under way, or begin.
func (q *Queue) Wait(ctx context.Context) error {
	q.mu.Lock()
	defer q.mu.Unlock()
	if err := q.load(ctx); err != nil {
		return err
	}
	return q.until(ctx, func() bool {
		for _, t := range q.jobs {
			if !t.over() {
				return false
			}
		}
		return true
	})
}

// until waits for a change after which ok holds. q.mu is held, but not meanwhile.
func (q *Queue) until(ctx context.Context, ok func() bool) error {
	for !ok() {
		changed := q.changed
		q.mu.Unlock()
		select {
		case <-ctx.Done():
		case <-changed:
		}
		q.mu.Lock()
		if err := ctx.Err(); err != nil && !ok() {
			return err
		}
	}
	return nil
}

// progress enters how far a job is.
func (q *Queue) progress(t *task, done float64) {
	if math.IsNaN(done) {
		return
	}
	q.mu.Lock()
	defer q.mu.Unlock()
	if t.State == Working {
		t.Done = min(max(done, 0), 1)
	}
}
