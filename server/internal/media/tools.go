// Package media reads, cleans and draws films and photographs with ffmpeg and
// ffprobe. Files come from strangers, so each tool runs as a guarded child: an
// input format that we chose from the file's own bytes, no protocol but local
// files and pipes, no network, no shell, no environment, and limits on memory,
// processor time, file size, open files, pixels, streams and time on the clock.
//
// It must not know what a film shows or where it is kept: paths come in, files
// and facts go out. It is the only package that starts programs.
package media

import (
	"context"
	"errors"
	"log/slog"
	"os"
	"os/exec"
	"syscall"
	"time"

	"sideport/annotate"
)

// Limits of what is read. A film beyond them is refused with a sentence.
const (
	maxSide        = 8192
	maxPixels      = 8192 * 4608 // a frame; 8K is 7680 × 4320
	maxPhotoPixels = 8192 * 8192
	maxPhotoBytes  = 64 << 20
	maxStreams     = 32
)

// Tools are the programs found on this machine, and the gate before them: three
// children run at once, and of those two at most work on a whole film, so
// that a short question never waits for a long conversion.
type Tools struct {
	log              *slog.Logger
	ffmpeg, ffprobe  string
	prlimit          string
	alone            syscall.SysProcAttr // what cuts a child off from the network, where the system lets us
	all, long        chan struct{}
	memory, openFile int64
}

// Find looks for the programs. Where one is missing the error is a fault that
// says what to install.
func Find(log *slog.Logger) (*Tools, error) {
	t := &Tools{
		log: log, all: make(chan struct{}, 3), long: make(chan struct{}, 2),
		memory: 6 << 30, openFile: 64,
	}
	for _, p := range []struct {
		path          *string
		name, install string
	}{
		{&t.ffmpeg, "ffmpeg", "ffmpeg"},
		{&t.ffprobe, "ffprobe", "ffmpeg"},
		{&t.prlimit, "prlimit", "util-linux"},
	} {
		path, err := exec.LookPath(p.name)
		if err != nil {
			return nil, &annotate.Fault{Cause: annotate.Missing, Err: err,
				Say: "the program " + p.name + ", which reads films, is not installed: run apt-get install " + p.install}
		}
		*p.path = path
	}
	t.alone = t.isolation()
	return t, nil
}

// isolation gives the strongest way to take the network from a child that
// works here: a network namespace of its own, within a user namespace of its
// own where we are not root. Containers often allow neither; the protocol
// whitelist then stands alone.
func (t *Tools) isolation() syscall.SysProcAttr {
	uid, gid := os.Getuid(), os.Getgid()
	for _, attr := range []syscall.SysProcAttr{
		{Cloneflags: syscall.CLONE_NEWNET},
		{
			Cloneflags:  syscall.CLONE_NEWNET | syscall.CLONE_NEWUSER,
			UidMappings: []syscall.SysProcIDMap{{ContainerID: uid, HostID: uid, Size: 1}},
			GidMappings: []syscall.SysProcIDMap{{ContainerID: gid, HostID: gid, Size: 1}},
		},
	} {
		t.alone = attr
		if err := t.run(context.Background(), job{tool: t.prlimit, args: []string{"--version"}, budget: short}); err == nil {
			return attr
		}
	}
	t.log.Info("media tools run without a network namespace; the protocol whitelist guards them")
	return syscall.SysProcAttr{}
}

// budget is what a child may use.
type budget struct {
	cpu, wall time.Duration
	file      int64 // bytes of the largest file that it may write
	long      bool  // works on a whole film
}

// short is for a question or a picture.
var short = budget{cpu: 2 * time.Minute, wall: 5 * time.Minute, file: 64 << 20}

// whole is for work on a film of some length: a slow machine takes up to a
// hundred processor seconds for a second of the largest films.
func whole(d annotate.Time, file int64) budget {
	t := time.Duration(d) * time.Microsecond
	return budget{cpu: 10*time.Minute + 100*t, wall: 10*time.Minute + 100*t, file: file, long: true}
}

// enter waits for a place at the gate; leave gives it back.
func (t *Tools) enter(ctx context.Context, long bool) (leave func(), err error) {
	var held []chan struct{}
	leave = func() {
		for _, c := range held {
			<-c
		}
	}
	gates := []chan struct{}{t.all}
	if long {
		gates = []chan struct{}{t.long, t.all}
	}
	for _, c := range gates {
		select {
		case c <- struct{}{}:
			held = append(held, c)
		case <-ctx.Done():
			leave()
			return nil, ctx.Err()
		}
	}
	return leave, nil
}

// remove drops what a failed child half wrote.
func remove(path string) {
	if err := os.Remove(path); err != nil && !errors.Is(err, os.ErrNotExist) {
		// The caller's scratch folder goes anyway; there is nothing else to do.
		return
	}
}
