package media

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"sideport/annotate"
)

// A list that calls itself a film is refused from its bytes, and would reach
// nothing even where that failed: each is also forced past our decision.
func TestListsAreNotFollowed(t *testing.T) {
	tl := tools(t)
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	var seen atomic.Int32
	go func() {
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			seen.Add(1)
			c.Close()
		}
	}()
	secret := film(t, "secret.mp4", pictures+h264)
	http := "http://" + l.Addr().String() + "/film"
	tests := []struct{ name, demuxer, text string }{
		{"HLS", "hls", "#EXTM3U\n#EXT-X-TARGETDURATION:2\n#EXTINF:2,\n" + http + ".ts\n#EXTINF:2,\nfile://" + secret + "\n#EXT-X-ENDLIST\n"},
		{"HLS after a mark", "hls", "\ufeff \n#EXTM3U\n#EXTINF:2,\n" + http + "\n"},
		{"DASH", "dash", `<?xml version="1.0"?><MPD mediaPresentationDuration="PT2S" type="static"><Period><AdaptationSet><Representation id="1"><BaseURL>` + http + `</BaseURL></Representation></AdaptationSet></Period></MPD>`},
		{"DASH without a head", "dash", `<MPD type="static"><BaseURL>` + http + `</BaseURL></MPD>`},
		{"concat", "concat", "ffconcat version 1.0\nfile '" + secret + "'\nfile '" + http + "'\n"},
		{"concat without a head", "concat", "file '" + secret + "'\n"},
		{"SDP", "sdp", "v=0\no=- 0 0 IN IP4 127.0.0.1\ns=x\nc=IN IP4 127.0.0.1\nt=0 0\nm=video 5004 RTP/AVP 96\na=rtpmap:96 H264/90000\n"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			path := file(t, "film.mp4", []byte(tt.text))
			_, err := tl.Probe(t.Context(), path)
			refused(t, err, annotate.Invalid, "ask for the film itself")
			args := probeArgs(format{demuxer: "mov"}, path)
			force := slices.Clone(args)
			force[slices.Index(args, "-f")+1] = tt.demuxer
			for _, a := range [][]string{args, force} {
				out := &bounded{max: 1 << 20}
				if err := tl.run(t.Context(), job{tool: tl.ffprobe, args: a, budget: short, stdout: out}); err == nil {
					t.Errorf("%q opened as %s: %s", path, a[slices.Index(a, "-f")+1], out.b)
				}
			}
		})
	}
	direct := probeArgs(format{demuxer: "mov"}, "")
	direct[len(direct)-1] = http
	if err := tl.run(t.Context(), job{tool: tl.ffprobe, args: direct, budget: short}); err == nil {
		t.Error("an address was opened")
	}
	l.Close()
	if n := seen.Load(); n > 0 {
		t.Errorf("%d connections were made", n)
	}
}

// How a child ends, and what people are told.
func TestChildEnds(t *testing.T) {
	tl := tools(t)
	sh := func(script string) job {
		return job{tool: "/bin/sh", args: []string{"-c", script}, budget: budget{cpu: time.Second, wall: time.Minute, file: 1 << 20}, pixels: maxPixels}
	}
	late := sh("while :; do sleep 1; done")
	late.budget.wall = time.Millisecond
	fed := sh("exit 3")
	fed.feed = func(w io.Writer) error {
		for {
			if _, err := w.Write(make([]byte, 1<<16)); err != nil {
				return err
			}
		}
	}
	wrong := sh("cat > /dev/null")
	wrong.feed = func(io.Writer) error { return errors.New("the artist left") }
	tests := []struct {
		name  string
		j     job
		cause annotate.Cause
		say   string
	}{
		{"well", sh("true"), "", ""},
		{"too much processor time", sh("while :; do :; done"), annotate.Invalid, "takes more than"},
		{"too late", late, annotate.Invalid, "takes more than"},
		{"too large a file", sh("exec head -c 2000000 /dev/zero > " + filepath.Join(t.TempDir(), "big")), annotate.Invalid, "larger than the 1 MB allowed"},
		{"a full disk", sh("echo film.mp4: No space left on device >&2; exit 1"), annotate.Busy, "disk that holds the library is full"},
		{"no memory", sh("echo Cannot allocate memory >&2; exit 1"), annotate.Invalid, "memory"},
		{"too many pixels", sh("echo Picture size 9x9 exceeds specified max pixel count 1 >&2; exit 1"), annotate.Invalid, "million pixels"},
		{"anything else", sh("echo what >&2; exit 7"), "", "sh: exit status 7: what"},
		{"it leaves while it is fed", fed, "", "exit status 3"},
		{"the feeder gives up", wrong, "", "the artist left"},
		{"no environment", sh(`test -z "$HOME$PATH_INFO$SECRET" -a "$(pwd)" = /`), "", ""},
		{"few open files", sh("test $(ulimit -n) = 64"), "", ""},
		{"no core file", sh("test $(ulimit -c) = 0"), "", ""},
	}
	if tl.alone.Cloneflags != 0 {
		j := sh("test $(grep -c : /proc/net/dev) = 1") // its own loopback and nothing else
		tests = append(tests, tests[0])
		tests[len(tests)-1].name, tests[len(tests)-1].j = "no network", j
	}
	t.Setenv("SECRET", "x")
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			err := tl.run(t.Context(), tt.j)
			if tt.say == "" {
				if err != nil {
					t.Error(err)
				}
				return
			}
			if err == nil || annotate.CauseOf(err) != tt.cause || !strings.Contains(err.Error(), tt.say) {
				t.Errorf("got %q, %v, want %q, %q", annotate.CauseOf(err), err, tt.cause, tt.say)
			}
		})
	}
}

// Cancelling ends the child and all that it started.
func TestCancel(t *testing.T) {
	tl := tools(t)
	ctx, cancel := context.WithCancel(t.Context())
	var group int
	out := &lines{each: func(line string) {
		if _, err := fmt.Sscan(line, &group); err != nil {
			t.Error(err)
		}
		cancel()
	}}
	// The grandchild holds standard output open: run ends only when it is gone.
	err := tl.run(ctx, job{tool: "/bin/sh", args: []string{"-c", "sleep 1000 & echo $$; wait"}, budget: short, stdout: out})
	if !errors.Is(err, context.Canceled) {
		t.Errorf("got %v", err)
	}
	if group == 0 || syscall.Kill(group, 0) == nil {
		t.Errorf("process %d lives", group)
	}
}

// Two children at most, one long one at most, and a wait that can be given up.
func TestGate(t *testing.T) {
	tl := &Tools{all: make(chan struct{}, 2), long: make(chan struct{}, 1)}
	var now, most, long, mostLong atomic.Int32
	var wg sync.WaitGroup
	for i := range 40 {
		wg.Go(func() {
			leave, err := tl.enter(t.Context(), i%2 == 0)
			if err != nil {
				t.Error(err)
				return
			}
			defer leave()
			raise(&most, now.Add(1))
			defer now.Add(-1)
			if i%2 == 0 {
				raise(&mostLong, long.Add(1))
				defer long.Add(-1)
			}
		})
	}
	wg.Wait()
	if most.Load() > 2 || mostLong.Load() > 1 {
		t.Errorf("%d children at once, %d of them long", most.Load(), mostLong.Load())
	}
	leave, err := tl.enter(t.Context(), true)
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if _, err := tl.enter(ctx, true); !errors.Is(err, context.Canceled) {
		t.Errorf("got %v", err)
	}
	leave()
	if len(tl.all)+len(tl.long) != 0 {
		t.Error("places were kept")
	}
}

func raise(most *atomic.Int32, n int32) {
	for m := most.Load(); n > m && !most.CompareAndSwap(m, n); m = most.Load() {
	}
}

// A missing program is named with what installs it.
func TestFindMissing(t *testing.T) {
	t.Setenv("PATH", t.TempDir())
	_, err := Find(nil)
	refused(t, err, annotate.Missing, "apt-get install ffmpeg")
}

func TestTail(t *testing.T) {
	w := &tail{max: 4}
	for _, s := range []string{"ab", "cdef", "", "\xffg"} {
		if n, err := io.WriteString(w, s); n != len(s) || err != nil {
			t.Fatal(n, err)
		}
	}
	if got := w.String(); got != "ef?g" {
		t.Errorf("got %q", got)
	}
}

func TestLines(t *testing.T) {
	var got []string
	w := &lines{each: func(s string) { got = append(got, s) }}
	for _, s := range []string{"a\nb", "c\n", string(bytes.Repeat([]byte("x"), 1<<20)), "\nend"} {
		io.WriteString(w, s)
	}
	if len(got) != 3 || got[1] != "bc" || len(got[2]) != 4<<10 {
		t.Errorf("got %d lines", len(got))
	}
}
