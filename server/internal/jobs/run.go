package jobs

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"runtime/debug"
	"slices"
	"sync"
	"time"
)

// Run works on the queue until ctx ends, then stops what is being worked on,
// puts it back for the next time and returns nil. An error is a shelf that
// cannot be read, or a Run that is under way already.
func (q *Queue) Run(ctx context.Context) error {
	q.mu.Lock()
	defer q.mu.Unlock()
	if q.running {
		return errors.New("the queue is being worked on already")
	}
	if err := q.load(ctx); err != nil {
		return err
	}
	q.running = true
	defer func() { q.running = false }()
	var workers sync.WaitGroup
	for ctx.Err() == nil {
		for t := q.next(); t != nil; t = q.next() {
			q.start(ctx, t, &workers)
		}
		q.rest(ctx)
	}
	q.mu.Unlock()
	workers.Wait()
	q.mu.Lock()
	return nil
}

// rest waits for a change, the next time that something may be tried, or the
// end. q.mu is held, but not meanwhile.
func (q *Queue) rest(ctx context.Context) {
	var due <-chan time.Time
	if at, ok := q.soonest(); ok {
		timer := time.NewTimer(at.Sub(q.o.Now()))
		defer timer.Stop()
		due = timer.C
	}
	changed := q.changed
	q.mu.Unlock()
	defer q.mu.Lock()
	select {
	case <-ctx.Done():
	case <-changed:
	case <-due:
	}
}

// soonest is when the next job that waits for its time may be tried.
func (q *Queue) soonest() (at time.Time, ok bool) {
	now := q.o.Now()
	for _, t := range q.jobs {
		if t.State == Waiting && t.Next.After(now) && (!ok || t.Next.Before(at)) {
			at, ok = t.Next, true
		}
	}
	return at, ok
}

// next is the first job that may be begun now, if a worker is free.
func (q *Queue) next() *task {
	var working []Job
	for _, t := range q.jobs {
		if t.State == Working {
			working = append(working, t.Job)
		}
	}
	if len(working) >= q.o.Workers {
		return nil
	}
	now := q.o.Now()
	for _, id := range slices.Sorted(maps.Keys(q.jobs)) {
		t := q.jobs[id]
		if t.State == Waiting && !t.Next.After(now) && !slices.ContainsFunc(working, t.same) {
			return t
		}
	}
	return nil
}

// start begins a job, after entering that it does: a try that ends the process
// counts. q.mu is held.
func (q *Queue) start(ctx context.Context, t *task, workers *sync.WaitGroup) {
	j := t.Job
	j.State, j.Tries, j.Next, j.Done = Working, j.Tries+1, time.Time{}, 0
	if err := q.keep(ctx, j); err != nil {
		if ctx.Err() == nil {
			q.o.Log.ErrorContext(ctx, "begin a job", "job", j.ID, "kind", j.Kind, "error", err)
		}
		t.Next = q.o.Now().Add(backoff(1))
		return
	}
	t.Job = j
	work, cancel := context.WithCancelCause(ctx)
	t.cancel, t.cancelled = cancel, false
	q.tell()
	workers.Go(func() {
		// Deferred, and with an error at first: a handler may end its goroutine.
		err := error(&broken{what: "the handler did not return"})
		defer func() {
			cancel(nil)
			q.finish(ctx, t, err)
		}()
		err = q.do(work, t, j)
	})
}

// do calls the handler. Whatever that does, the process goes on.
func (q *Queue) do(ctx context.Context, t *task, j Job) (err error) {
	h := q.handlers[j.Kind]
	if h == nil {
		return &broken{what: "nothing here does " + j.Kind}
	}
	defer func() {
		if r := recover(); r != nil {
			err = &broken{fmt.Sprintf("panic: %v", r), debug.Stack()}
		}
	}()
	return h(ctx, j, func(done float64) { q.progress(t, done) })
}

// finish enters how a try ended.
func (q *Queue) finish(ctx context.Context, t *task, err error) {
	q.mu.Lock()
	defer q.mu.Unlock()
	defer q.tell()
	j := q.outcome(t, err, ctx.Err() != nil)
	q.report(ctx, j, err)
	t.Job, t.cancel = j, nil
	ctx = context.WithoutCancel(ctx) // the end of the process is when this matters most
	if err := q.keep(ctx, j); err != nil {
		q.o.Log.ErrorContext(ctx, "enter the end of a job; it is done again after a restart", "job", j.ID, "kind", j.Kind, "error", err)
	}
	q.forget(ctx, q.oldest())
}

// outcome is the job after a try that ended with err; closing says that the
// queue is ending.
func (q *Queue) outcome(t *task, err error, closing bool) Job {
	j, now := t.Job, q.o.Now().UTC()
	j.Done, j.Say = 0, ""
	switch {
	case err == nil:
		j.State, j.Done, j.Ended = Done, 1, now
	case t.cancelled:
		j.State, j.Say, j.Ended = Failed, sayCancelled, now
	case closing && !hopeless(err):
		j.State = Waiting
		j.Tries-- // it was stopped from outside
	case hopeless(err) || j.Tries >= q.o.MaxTries:
		j.State, j.Say, j.Ended = Failed, say(j, err), now
	default:
		j.State, j.Say, j.Next = Waiting, say(j, err), now.Add(backoff(j.Tries))
	}
	return j
}

func (q *Queue) report(ctx context.Context, j Job, err error) {
	log := q.o.Log.With("job", j.ID, "kind", j.Kind, "subject", j.Subject, "tries", j.Tries, "state", string(j.State))
	if b, ok := errors.AsType[*broken](err); ok {
		log = log.With("stack", string(b.stack))
	}
	switch {
	case err == nil:
		log.DebugContext(ctx, "job done")
	case j.State == Failed && j.Say != sayCancelled:
		log.ErrorContext(ctx, "job failed", "error", err)
	default:
		log.WarnContext(ctx, "job stopped", "error", err)
	}
}

// oldest are the jobs that are over beyond those that are still listed.
func (q *Queue) oldest() []string {
	var over []string
	for _, id := range slices.Sorted(maps.Keys(q.jobs)) {
		if q.jobs[id].over() {
			over = append(over, id)
		}
	}
	return over[:max(len(over)-keepOver, 0)]
}
