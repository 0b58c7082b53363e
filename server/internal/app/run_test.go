package app

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"sideport/annotate"
	"sideport/server/internal/config"
	"sideport/server/internal/store"
)

// outcome is what a command gave.
type outcome struct {
	code     int
	out, err string
}

// command runs one as main does.
func command(t *testing.T, data string, args ...string) outcome {
	t.Helper()
	c, err := config.Parse(append(args, "--data", data), func(string) string { return "" }, io.Discard)
	if err != nil {
		t.Fatal(err)
	}
	var out, errs bytes.Buffer
	code := Run(t.Context(), c, Streams{Out: &out, Err: &locked{w: &errs}})
	return outcome{code, out.String(), errs.String()}
}

func (o outcome) want(t *testing.T, code int, say string) outcome {
	t.Helper()
	if o.code != code || !strings.Contains(o.out+o.err, say) {
		t.Fatalf("ended with %d, want %d and %q; out:\n%s\nerr:\n%s", o.code, code, say, o.out, o.err)
	}
	return o
}

// served runs serve until the test ends, and waits until it answers.
func served(t *testing.T, data string) (link string) {
	t.Helper()
	ctx, stop := context.WithCancel(t.Context())
	r, w := io.Pipe()
	ended := make(chan int, 1)
	var errs bytes.Buffer
	go func() {
		code := Run(ctx, config.Config{Command: "serve", Data: data, Listen: "127.0.0.1:0"}, Streams{Out: w, Err: &locked{w: &errs}})
		w.Close()
		ended <- code
	}()
	t.Cleanup(func() {
		stop()
		if code := <-ended; code != 0 {
			t.Errorf("serve ended with %d: %s", code, errs.String())
		}
		if _, err := store.ReadHolder(data); annotate.CauseOf(err) != annotate.Missing {
			t.Errorf("it still says that it holds the library: %v", err)
		}
	})
	lines := bufio.NewScanner(r)
	for lines.Scan() {
		if l := strings.TrimSpace(lines.Text()); strings.HasPrefix(l, "http://") {
			go func() { _, _ = io.Copy(io.Discard, r) }()
			return l
		}
	}
	t.Fatal("serve printed no link")
	return ""
}

// The commands give the same, whether a server has the folder open or not.
func TestCommandsDirectAndThroughAServer(t *testing.T) {
	filmBytes(t)
	for name, serve := range map[string]bool{"direct": false, "through a server": true} {
		t.Run(name, func(t *testing.T) {
			data := filepath.Join(t.TempDir(), "data")
			if serve {
				served(t, data)
			}
			id := strings.TrimSpace(command(t, data, "add", caseFolder(t)).want(t, 0, "").out)
			command(t, data, "add", filepath.Join(t.TempDir(), "none")).want(t, exitMissing, "cannot be opened")
			command(t, data, "add", caseFolder(t, "title:", "titel:")).want(t, exitInvalid, "case.yaml:1")
			command(t, data, "add", caseFolder(t), "--json").want(t, 0, `"warning":true`)

			command(t, data, "find", "loose", "bag").want(t, 0, id)
			command(t, data, "find", "loose", "bag", "--json").want(t, 0, `"total":2`)
			command(t, data, "find", "foxglove").want(t, exitMissing, "Nothing was found")
			command(t, data, "find", "foxglove", "--json").want(t, exitMissing, `"total":0`)

			command(t, data, "export", id, "chapters").want(t, 0, "WEBVTT")
			command(t, data, "export", "none", "chapters").want(t, exitMissing, "There is no case none")
			command(t, data, "export", id, "slides").want(t, exitMissing, "chapters, captions")
			command(t, data, "export", id, "chapters", "--audience", "public").want(t, exitRefused, "covers professionals")
			command(t, data, "export", id, "chapters", "--audience", "everyone").want(t, exitInvalid, "not an audience")
			command(t, data, "export", "--list").want(t, 0, "summary-html")
			command(t, data, "export", "--list", "--json").want(t, 0, `"id":"folder"`)
			exportsToFiles(t, data, id)

			command(t, data, "check").want(t, 0, "2 cases")
			command(t, data, "reindex").want(t, 0, "2 cases indexed, to change 2")
			backups(t, data, id)
		})
	}
}

func exportsToFiles(t *testing.T, data, id string) {
	t.Helper()
	dir := t.TempDir()
	vtt, folder, archive := filepath.Join(dir, "a.vtt"), filepath.Join(dir, "case"), filepath.Join(dir, "case.zip")
	command(t, data, "export", id, "chapters", "-o", vtt).want(t, 0, "")
	if b, err := os.ReadFile(vtt); err != nil || !bytes.HasPrefix(b, []byte("WEBVTT")) {
		t.Errorf("%s: %q, %v", vtt, b, err)
	}
	command(t, data, "export", id, "folder", "-o", folder).want(t, 0, folder)
	if got := strings.Join(names(t, folder), " "); got != "case.yaml recording-1.mp4 recording-1.vtt" {
		t.Errorf("the folder holds %s", got)
	}
	command(t, data, "export", id, "folder", "-o", folder).want(t, exitBusy, "is there already")
	command(t, data, "export", id, "folder", "-o", archive).want(t, 0, "")
	if b, err := os.ReadFile(archive); err != nil || !bytes.HasPrefix(b, []byte("PK")) {
		t.Errorf("%s: %d bytes, %v", archive, len(b), err)
	}
	command(t, data, "export", id, "chapters", "-o", filepath.Join(dir, "none", "a.vtt")).want(t, exitInvalid, "cannot be written")
	command(t, data, "export", id, "folder", "-o", filepath.Join(dir, "none", "x")).want(t, exitInvalid, "cannot be made")
	if got := strings.Join(names(t, dir), " "); got != "a.vtt case case.zip" {
		t.Errorf("the exports left %s", got)
	}
}

func backups(t *testing.T, data, id string) {
	t.Helper()
	dir := t.TempDir()
	file, again := filepath.Join(dir, "backup.tar"), filepath.Join(dir, "again")
	command(t, data, "backup", file).want(t, 0, file)
	command(t, again, "restore", file, "--json").want(t, 0, `"files":1`)
	command(t, again, "find", "loose", "bag").want(t, 0, id)
	command(t, again, "export", id, "folder", "-o", filepath.Join(dir, "folder")).want(t, 0, "")
	command(t, again, "check").want(t, 0, "2 cases")
	command(t, again, "restore", file).want(t, exitBusy, "is not empty")
	command(t, data, "restore", filepath.Join(dir, "none")).want(t, exitMissing, "cannot be opened")

	b, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	cut, fresh := filepath.Join(dir, "cut.tar"), filepath.Join(dir, "fresh")
	if err := os.WriteFile(cut, b[:len(b)/2], 0o600); err != nil {
		t.Fatal(err)
	}
	command(t, fresh, "restore", cut).want(t, exitInvalid, "Nothing was restored")
	if left := names(t, fresh); len(left) > 0 {
		t.Errorf("a backup cut short left %q", left)
	}
}

// The printed link signs the first steward in.
func TestServePrintsALink(t *testing.T) {
	filmBytes(t)
	link := served(t, t.TempDir())
	res, err := http.Get(link)
	if err != nil {
		t.Fatal(err)
	}
	defer res.Body.Close()
	if b, err := io.ReadAll(res.Body); err != nil || res.StatusCode != 200 || !strings.Contains(string(b), `name="key"`) {
		t.Errorf("%s: %d, %v: %s", link, res.StatusCode, err, b)
	}
}

func TestServeRefuses(t *testing.T) {
	filmBytes(t)
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	data := t.TempDir()
	command(t, data, "serve", "--listen", l.Addr().String()).want(t, exitBusy, "--listen HOST:PORT")
	served(t, data)
	command(t, data, "serve", "--listen", "127.0.0.1:0").want(t, exitBusy, "open in serve")
}

// A command waits for another that is at work.
func TestACommandWaitsForAnother(t *testing.T) {
	filmBytes(t)
	data := t.TempDir()
	a, err := open(t.Context(), data, "reindex", time.Second, slog.New(slog.DiscardHandler))
	if err != nil {
		t.Fatal(err)
	}
	got := make(chan outcome)
	go func() { got <- command(t, data, "check") }()
	if err := a.Close(); err != nil {
		t.Fatal(err)
	}
	(<-got).want(t, 0, "0 cases")
	// And names it when it is told to stop waiting.
	if a, err = open(t.Context(), data, "reindex", time.Second, slog.New(slog.DiscardHandler)); err != nil {
		t.Fatal(err)
	}
	defer a.Close()
	ctx, stop := context.WithTimeout(t.Context(), 300*time.Millisecond)
	defer stop()
	_, _, err = connect(ctx, config.Config{Command: "check", Data: data}, slog.New(slog.DiscardHandler))
	if err == nil || !strings.Contains(err.Error(), "open in reindex") && !errors.Is(err, context.DeadlineExceeded) {
		t.Errorf("got %v", err)
	}
}

// A server that was killed leaves its address behind; the lock is what counts.
func TestACommandAfterAKilledServer(t *testing.T) {
	filmBytes(t)
	data := t.TempDir()
	command(t, data, "check").want(t, 0, "0 cases")
	b, err := json.Marshal(store.Holder{PID: 1, Command: "serve", Address: "127.0.0.1:1", Token: "x"})
	if err == nil {
		err = os.WriteFile(filepath.Join(data, "holder.json"), b, 0o600)
	}
	if err != nil {
		t.Fatal(err)
	}
	command(t, data, "check").want(t, 0, "0 cases")
}

func TestAStoppedCommandLeavesNothing(t *testing.T) {
	filmBytes(t)
	data, dir := t.TempDir(), caseFolder(t)
	ctx, stop := context.WithCancel(t.Context())
	api, done, err := connect(ctx, config.Config{Command: "add", Data: data}, slog.New(slog.DiscardHandler))
	if err != nil {
		t.Fatal(err)
	}
	stop()
	if err := add(ctx, api, config.Config{Args: []string{dir}}, Streams{io.Discard, io.Discard}); !errors.Is(err, context.Canceled) {
		t.Errorf("got %v", err)
	}
	if err := done(); err != nil {
		t.Error(err)
	}
	command(t, data, "check").want(t, 0, "0 cases, 0 files")
}

func TestExitCodes(t *testing.T) {
	for code, err := range map[int]error{
		exitOurs: errors.New("x"), exitInvalid: annotate.Faultf(annotate.Invalid, "x"), exitMissing: fmt.Errorf("y: %w", annotate.Faultf(annotate.Missing, "x")),
		exitRefused: errors.Join(annotate.Faultf(annotate.Refused, "x"), errors.New("y")), exitBusy: annotate.Faultf(annotate.Busy, "x"),
	} {
		if got := exitCode(err); got != code {
			t.Errorf("%v ends with %d, want %d", err, got, code)
		}
	}
	if got := exitCode(annotate.Faultf(annotate.Conflict, "x")); got != exitBusy {
		t.Errorf("a conflict ends with %d", got)
	}
	o := command(t, t.TempDir(), "restore", "/none", "--json").want(t, exitMissing, "")
	var said struct{ Error, Cause string }
	if err := json.Unmarshal([]byte(o.err), &said); err != nil || said.Cause != "missing" || said.Error == "" {
		t.Errorf("said %q, %v", o.err, err)
	}
	command(t, t.TempDir(), "version").want(t, 0, "sideport ")
	command(t, t.TempDir(), "version", "--json").want(t, 0, `"name":"sideport"`)
}

func TestFaultsComeBack(t *testing.T) {
	for _, tt := range []struct {
		status int
		body   string
		cause  annotate.Cause
		say    string
	}{
		{404, `{"detail":"gone"}`, annotate.Missing, "gone"},
		{403, `{"detail":"no"}`, annotate.Refused, "no"},
		{401, `{"detail":"who"}`, annotate.Refused, "who"},
		{422, `{"detail":"bad","problems":[{"path":"title","say":"none"}]}`, annotate.Invalid, "title: none"},
		{412, `{"detail":"late"}`, annotate.Conflict, "late"},
		{409, `{"detail":"late"}`, annotate.Conflict, "late"},
		{503, `{"detail":"busy"}`, annotate.Busy, "busy"},
		{500, `{"detail":"ours","reference":"abc"}`, "", "ours (reference abc)"},
		{413, `{"detail":"large"}`, "", "413 Request Entity Too Large: large"},
		{502, `<html>`, "", "the server answered 502"},
	} {
		server := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
			w.WriteHeader(tt.status)
			_, _ = io.WriteString(w, tt.body)
		}))
		c := client{http: server.Client(), base: server.URL}
		err := c.call(t.Context(), "GET", "/", nil, nil)
		if annotate.CauseOf(err) != tt.cause || err == nil || !strings.Contains(err.Error(), tt.say) {
			t.Errorf("%d %s came back as %v", tt.status, tt.body, err)
		}
		server.Close()
		if err := c.call(t.Context(), "GET", "/", nil, nil); annotate.CauseOf(err) != annotate.Busy {
			t.Errorf("a server that is gone: %v", err)
		}
	}
}

func TestPipes(t *testing.T) {
	l := newPipes()
	var all, callers sync.WaitGroup
	all.Go(func() {
		for {
			c, err := l.Accept()
			if err != nil {
				if !errors.Is(err, net.ErrClosed) {
					t.Errorf("Accept: %v", err)
				}
				return
			}
			all.Go(func() {
				_, _ = io.Copy(c, io.LimitReader(c, 5))
				c.Close()
			})
		}
	})
	for range 10 {
		callers.Go(func() {
			c, err := l.dial(t.Context(), "", "")
			if err != nil {
				t.Error(err)
				return
			}
			callers.Go(func() { _, _ = io.WriteString(c, "hello") })
			if b, err := io.ReadAll(c); err != nil || string(b) != "hello" {
				t.Errorf("heard %q, %v", b, err)
			}
		})
	}
	callers.Wait()
	l.Close()
	all.Wait()
	stopped, stop := context.WithCancel(t.Context())
	stop()
	idle := newPipes()
	if _, err := idle.dial(stopped, "", ""); !errors.Is(err, context.Canceled) {
		t.Errorf("dial after its context: %v", err)
	}
	idle.Close()
	idle.Close()
	if _, err := idle.dial(t.Context(), "", ""); !errors.Is(err, net.ErrClosed) {
		t.Errorf("dial after Close: %v", err)
	}
	if idle.Addr().Network() == "" || idle.Addr().String() == "" {
		t.Error("it has no name")
	}
}

func TestReachable(t *testing.T) {
	for address, want := range map[string]string{"127.0.0.1:80": "127.0.0.1:80", "0.0.0.0:80": "127.0.0.1:80", "[::]:80": "127.0.0.1:80", "192.0.2.7:80": "192.0.2.7:80", "[::1]:80": "[::1]:80"} {
		a, err := net.ResolveTCPAddr("tcp", address)
		if err != nil {
			t.Fatal(err)
		}
		if got := reachable(a); got != want {
			t.Errorf("%s is reached at %s, want %s", address, got, want)
		}
	}
}

func TestProgressWithoutATerminal(t *testing.T) {
	var out bytes.Buffer
	b := newBar(&out, "Making the sample library", 4)
	for i, name := range []string{"one", "two", "three", "four"} {
		part := b.part(name)
		for f := 0.0; f < 1; f += 0.1 {
			part(f)
		}
		part(1.2)
		part(1)
		if i == 1 {
			part(0.5) // going back is not shown
		}
	}
	b.end()
	want := "Making the sample library …\n   25 %  one\n   50 %  two\n   75 %  three\n  100 %  four\n"
	if out.String() != want {
		t.Errorf("printed\n%swant\n%s", out.String(), want)
	}
}

func TestProgressOnATerminal(t *testing.T) {
	var out bytes.Buffer
	b := &bar{out: &out, tty: true, title: "Making", parts: 2, done: map[string]float64{}, shown: -1}
	b.draw("")
	b.part("one")(0.5)
	b.part("one")(0.501) // the same percent: nothing is drawn
	b.part("one")(1)
	b.part("two")(1)
	b.end()
	line := func(full, percent int) string {
		return fmt.Sprintf("\rMaking  %s%s  %3d %%", strings.Repeat("▪", full), strings.Repeat("·", 32-full), percent)
	}
	if want := line(0, 0) + line(8, 25) + line(16, 50) + line(32, 100) + "\n"; out.String() != want {
		t.Errorf("drew\n%q, want\n%q", out.String(), want)
	}
}
