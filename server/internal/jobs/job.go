package jobs

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"time"

	"sideport/annotate"
)

// State says how far a job is.
type State string

// The states of a job.
const (
	Waiting State = "waiting"
	Working State = "working"
	Failed  State = "failed" // Say tells why
	Done    State = "done"
)

// Job is one piece of long work.
type Job struct {
	ID      string          `json:"id"` // later jobs have later ids
	Kind    string          `json:"kind"`
	Subject string          `json:"subject"` // what it is done to: "case/r1"
	Args    json.RawMessage `json:"args,omitempty"`
	State   State           `json:"state"`
	Tries   int             `json:"tries"`          // begun so far
	Say     string          `json:"say,omitempty"`  // failed, or waiting to be tried again: what happened
	Done    float64         `json:"done,omitempty"` // working: 0 to 1; not kept over a restart
	Added   time.Time       `json:"added"`
	Next    time.Time       `json:"next,omitzero"` // waiting: not before
	Ended   time.Time       `json:"ended,omitzero"`
}

// same says whether two jobs do the same thing to the same subject; they are
// never worked on at once.
func (j Job) same(o Job) bool { return j.Kind == o.Kind && j.Subject == o.Subject }

func (j Job) over() bool { return j.State == Failed || j.State == Done }

func jobID(n uint64) string { return fmt.Sprintf("%010d", n) }

// Handler does a job. It ends soon after ctx does, says how far it is by
// progress (0 to 1, when it likes), and may be called again for a job that it
// did before: a crash can come after the work and before its entry.
type Handler func(ctx context.Context, j Job, progress func(float64)) error

// errCancelled is why the context of a cancelled job ended.
var errCancelled = errors.New("the job was cancelled")

const sayCancelled = "It was cancelled."

// broken is a fault of the program itself: a handler that panics, or none.
type broken struct {
	what  string
	stack []byte
}

func (b *broken) Error() string { return b.what }

// hopeless says whether trying again cannot help: what a person must mend
// first, and what a program must.
func hopeless(err error) bool {
	if _, ok := errors.AsType[*broken](err); ok {
		return true
	}
	switch annotate.CauseOf(err) {
	case annotate.Invalid, annotate.Missing, annotate.Refused:
		return true
	}
	return false
}

// say is what people are told of err. What is not a fault is the program's
// own: its text is for the log.
func say(j Job, err error) string {
	if f, ok := errors.AsType[*annotate.Fault](err); ok {
		return f.Say
	}
	return fmt.Sprintf("Something went wrong in the program; the log says more under job %s.", j.ID)
}

// backoff is how long to wait after a number of tries: 10 s, 40 s, 160 s, and
// never more than 10 minutes.
func backoff(tries int) time.Duration {
	wait := 10 * time.Second
	for range min(tries-1, 5) {
		wait *= 4
	}
	return min(wait, 10*time.Minute)
}
