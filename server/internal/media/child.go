package media

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"runtime"
	"strconv"
	"strings"
	"syscall"
	"time"

	"sideport/annotate"
)

// job is one run of a child.
type job struct {
	tool   string
	args   []string
	budget budget
	pixels int                     // the limit that args set, to be named
	stdout io.Writer               // nil: dropped
	feed   func(w io.Writer) error // writes the child's standard input; nil: there is none
}

// limited puts the limits before a command. prlimit belongs to util-linux,
// which every Debian has; it sets them and becomes the program, so they hold
// from its first instruction.
func (t *Tools) limited(j job) []string {
	n := func(v int64) string { return strconv.FormatInt(v, 10) }
	cpu := int64(j.budget.cpu / time.Second)
	return append([]string{
		"--as=" + n(t.memory),
		"--cpu=" + n(cpu) + ":" + n(cpu+5), // a signal that tells why, then one that cannot be ignored
		"--fsize=" + n(j.budget.file),
		"--nofile=" + n(t.openFile),
		"--core=0",
		j.tool,
	}, j.args...)
}

// command prepares a child: its own process group, so that it dies with all it
// started; killed when we die; no environment but what keeps it quiet.
func (t *Tools) command(ctx context.Context, j job) *exec.Cmd {
	cmd := exec.CommandContext(ctx, t.prlimit, t.limited(j)...)
	attr := t.alone
	attr.Setpgid = true
	attr.Pdeathsig = syscall.SIGKILL
	cmd.SysProcAttr = &attr
	cmd.Env = []string{"LC_ALL=C", "AV_LOG_FORCE_NOCOLOR=1", "MALLOC_ARENA_MAX=2"}
	cmd.Dir = "/"
	cmd.Cancel = func() error { return syscall.Kill(-cmd.Process.Pid, syscall.SIGKILL) }
	cmd.WaitDelay = 5 * time.Second
	cmd.Stdout = j.stdout
	return cmd
}

// run waits at the gate, runs the child and explains how it ended.
func (t *Tools) run(ctx context.Context, j job) error {
	leave, err := t.enter(ctx, j.budget.long)
	if err != nil {
		return err
	}
	defer leave()
	limit, cancel := context.WithTimeout(ctx, j.budget.wall)
	defer cancel()
	cmd := t.command(limit, j)
	said := &tail{max: 4 << 10}
	cmd.Stderr = said
	var in io.WriteCloser
	if j.feed != nil {
		if in, err = cmd.StdinPipe(); err != nil {
			return fmt.Errorf("start %s: %w", j.tool, err)
		}
	}
	ended := make(chan error, 1)
	go func() {
		// The kernel sends Pdeathsig when the thread that started the child
		// ends, so that thread must stay as long as the child does.
		runtime.LockOSThread()
		defer runtime.UnlockOSThread()
		ended <- cmd.Run()
	}()
	var fed error
	if j.feed != nil {
		fed = j.feed(in)
		if errors.Is(fed, syscall.EPIPE) || errors.Is(fed, os.ErrClosed) {
			fed = nil // the child went first, and says why
		} else if fed != nil {
			cancel()
		}
		in.Close()
	}
	err = <-ended
	switch {
	case ctx.Err() != nil:
		return ctx.Err()
	case fed != nil:
		return fed
	case err != nil:
		return t.explain(limit, j, err, said.String())
	}
	return nil
}

// childError is how a child ended that we have no better words for.
type childError struct {
	tool, said string
	err        error
}

func (e *childError) Error() string { return fmt.Sprintf("%s: %v: %s", e.tool, e.err, e.said) }
func (e *childError) Unwrap() error { return e.err }

// explain finds the words for how a child ended. What it wrote goes to the log
// and stays in the error's cause; people never see it.
func (t *Tools) explain(ctx context.Context, j job, err error, said string) error {
	cause := &childError{tool: j.tool[strings.LastIndexByte(j.tool, '/')+1:], said: said, err: err}
	t.log.Debug("media tool ended", "tool", cause.tool, "error", err, "said", said)
	fault := func(c annotate.Cause, say string) error { return &annotate.Fault{Cause: c, Say: say, Err: cause} }
	var sig syscall.Signal
	if exit, ok := errors.AsType[*exec.ExitError](err); ok {
		if s, ok := exit.Sys().(syscall.WaitStatus); ok && s.Signaled() {
			sig = s.Signal()
		}
	}
	has := func(s string) bool { return strings.Contains(said, s) }
	switch {
	case errors.Is(ctx.Err(), context.DeadlineExceeded), sig == syscall.SIGXCPU:
		return fault(annotate.Invalid, fmt.Sprintf("this file takes more than %v to work through and was given up; a shorter or smaller copy may do", j.budget.wall.Round(time.Minute)))
	case has("No space left on device"), has("Disk quota exceeded"):
		return fault(annotate.Busy, "the disk that holds the library is full: make room there, then try again")
	case sig == syscall.SIGXFSZ, has("File too large"):
		return fault(annotate.Invalid, fmt.Sprintf("what is made of this file would be larger than the %d MB allowed for it; a shorter or smaller copy may do", j.budget.file>>20))
	case has("exceeds specified max pixel count"), has("[IMGUTILS") && has("is invalid"):
		return faultPixels(cause, j.pixels)
	case has("Cannot allocate memory"), has("malloc of size"):
		return fault(annotate.Invalid, fmt.Sprintf("this file needs more than the %d GB of memory allowed for one film; a copy of smaller picture size may do", t.memory>>30))
	}
	return cause
}

// tail keeps the last bytes written to it.
type tail struct {
	max int
	b   []byte
}

func (t *tail) Write(p []byte) (int, error) {
	t.b = append(t.b, p...)
	if over := len(t.b) - t.max; over > 0 {
		t.b = append(t.b[:0], t.b[over:]...)
	}
	return len(p), nil
}

func (t *tail) String() string { return strings.TrimSpace(strings.ToValidUTF8(string(t.b), "?")) }

// lines calls each with every whole line written to it. A line that never ends
// is cut, so that memory stays bounded.
type lines struct {
	each func(string)
	b    []byte
}

func (l *lines) Write(p []byte) (int, error) {
	for _, c := range p {
		if c == '\n' {
			l.each(string(l.b))
			l.b = l.b[:0]
		} else if len(l.b) < 4<<10 {
			l.b = append(l.b, c)
		}
	}
	return len(p), nil
}

// bounded is a buffer that refuses to grow beyond max.
type bounded struct {
	max int
	b   []byte
}

func (w *bounded) Write(p []byte) (int, error) {
	if len(w.b)+len(p) > w.max {
		return 0, errors.New("the answer is too long")
	}
	w.b = append(w.b, p...)
	return len(p), nil
}
