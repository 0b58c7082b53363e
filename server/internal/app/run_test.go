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
	"os"
	"path/filepath"
	"strings"
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
