package e2e

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"
)

// patience is how long a journey waits for the program before it gives up. It
// is no measure of anything: a loaded machine may take its time.
const patience = 90 * time.Second

// server is the program serving a data folder, as a child.
type server struct {
	data, base string // base is "http://127.0.0.1:port"
	link       string // that signs the first steward in, once
	session    string // cookie of the first steward; see [server.signIn]
	cmd        *exec.Cmd
	log        *buffer // standard error
	ended      chan struct{}
}

// buffer collects what a child writes while others read it.
type buffer struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (b *buffer) Write(p []byte) (int, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.b.Write(p)
}

func (b *buffer) String() string {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.b.String()
}

// launch starts the program and waits for the link that it prints.
func launch(data, listen string, more ...string) (*server, error) {
	bin, err := program()
	if err != nil {
		return nil, err
	}
	s := &server{data: data, log: &buffer{}, ended: make(chan struct{})}
	s.cmd = exec.Command(bin, append([]string{"serve", "--listen", listen, "--data", data}, more...)...)
	s.cmd.Stderr = s.log
	out, err := s.cmd.StdoutPipe()
	if err != nil {
		return nil, err
	}
	if err := s.cmd.Start(); err != nil {
		return nil, err
	}
	lines := bufio.NewScanner(out)
	for s.link == "" && lines.Scan() {
		if line := strings.TrimSpace(lines.Text()); strings.HasPrefix(line, "http") {
			s.link = line
		}
	}
	go func() {
		_, _ = io.Copy(io.Discard, out)
		_ = s.cmd.Wait()
		close(s.ended)
	}()
	if s.link == "" {
		<-s.ended
		return nil, fmt.Errorf("the server printed no link; it said:\n%s", s.log)
	}
	u, err := url.Parse(s.link)
	if err != nil {
		return nil, err
	}
	s.base = "http://" + u.Host
	return s, nil
}

// serve starts a server for one test.
func serve(t *testing.T, data string) *server {
	t.Helper()
	return serveAt(t, data, "127.0.0.1:0")
}

func serveAt(t *testing.T, data, listen string, more ...string) *server {
	t.Helper()
	need(t, "ffmpeg", "ffprobe")
	s, err := launch(data, listen, more...)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		s.stop()
		if t.Failed() {
			t.Logf("the server said:\n%s", s.log)
		}
	})
	return s
}

// stop ends the server as a terminal does, and waits.
func (s *server) stop() {
	_ = s.cmd.Process.Signal(syscall.SIGTERM)
	select {
	case <-s.ended:
	case <-time.After(patience):
		s.kill()
	}
}

// kill ends the server without a chance to tidy up.
func (s *server) kill() {
	_ = s.cmd.Process.Kill()
	<-s.ended
}

func (s *server) host() string { return strings.TrimPrefix(s.base, "http://") }

// signIn uses the printed link up and keeps the session.
func (s *server) signIn() error {
	u, err := url.Parse(s.link)
	if err != nil {
		return err
	}
	client := &http.Client{CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
	res, err := client.PostForm(s.base+"/sign-in", url.Values{"key": {u.Query().Get("key")}})
	if err != nil {
		return err
	}
	defer res.Body.Close()
	for _, c := range res.Cookies() {
		if c.Name == "sideport" && c.Value != "" {
			s.session = c.Value
			return nil
		}
	}
	return fmt.Errorf("signing in answered %s and no cookie", res.Status)
}

func (s *server) signedIn(t *testing.T) *server {
	t.Helper()
	if err := s.signIn(); err != nil {
		t.Fatal(err)
	}
	return s
}

// answer is what came back over HTTP, read whole.
type answer struct {
	*http.Response
	body []byte
}

// ask sends a request outside the browser; who is the cookie, "" for nobody.
func (s *server) ask(t *testing.T, method, path, who string, body io.Reader, header ...string) answer {
	t.Helper()
	req, err := http.NewRequestWithContext(t.Context(), method, s.base+path, body)
	if err != nil {
		t.Fatal(err)
	}
	for i := 0; i+1 < len(header); i += 2 {
		req.Header.Set(header[i], header[i+1])
	}
	if who != "" {
		req.AddCookie(&http.Cookie{Name: "sideport", Value: who})
	}
	client := &http.Client{CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
	res, err := client.Do(req)
	if err != nil {
		t.Fatal(err)
	}
	defer res.Body.Close()
	b, err := io.ReadAll(res.Body)
	if err != nil {
		t.Fatal(err)
	}
	return answer{res, b}
}

func (s *server) get(t *testing.T, path string) answer {
	t.Helper()
	return s.ask(t, http.MethodGet, path, s.session, nil)
}

// filmReady waits until every film of a case can be played, and fails when one cannot.
func (s *server) filmReady(t *testing.T, id string) {
	t.Helper()
	await(t, "the films of case "+id, func() bool {
		var c struct {
			Films map[string]struct{ State, Say string }
		}
		a := s.get(t, "/api/cases/"+id)
		if err := json.Unmarshal(a.body, &c); err != nil {
			t.Fatalf("%s: %s", a.Status, a.body)
		}
		for _, f := range c.Films {
			if f.State == "failed" {
				t.Fatalf("the film could not be prepared: %s\n%s", f.Say, s.log)
			}
			if f.State != "ready" {
				return false
			}
		}
		return true
	})
}

// await asks again and again until the program has come so far.
func await(t *testing.T, what string, yes func() bool) {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), patience)
	defer cancel()
	again := time.NewTicker(25 * time.Millisecond)
	defer again.Stop()
	for !yes() {
		select {
		case <-again.C:
		case <-ctx.Done():
			t.Fatalf("waited in vain for %s", what)
		}
	}
}

// said is what a command printed and how it ended.
type said struct {
	out, err string
	code     int
}

// sideport carries out a command of the program on a data folder.
func sideport(t *testing.T, data string, args ...string) said {
	t.Helper()
	bin, err := program()
	if err != nil {
		t.Fatal(err)
	}
	var out, errs bytes.Buffer
	cmd := exec.CommandContext(t.Context(), bin, append(args[:1:1], append([]string{"--data", data}, args[1:]...)...)...)
	cmd.Stdout, cmd.Stderr = &out, &errs
	err = cmd.Run()
	if exit := (*exec.ExitError)(nil); err != nil && !errors.As(err, &exit) {
		t.Fatal(err)
	}
	return said{out.String(), errs.String(), cmd.ProcessState.ExitCode()}
}

// must is sideport where it has to work.
func must(t *testing.T, data string, args ...string) string {
	t.Helper()
	got := sideport(t, data, args...)
	if got.code != 0 {
		t.Fatalf("sideport %s ended with %d:\n%s%s", strings.Join(args, " "), got.code, got.out, got.err)
	}
	return strings.TrimSpace(got.out)
}

// files lists what lies under a folder, with sizes.
func files(t *testing.T, dir string) []string {
	t.Helper()
	list := []string{}
	err := filepath.WalkDir(dir, func(path string, d os.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		info, err := d.Info()
		if err != nil {
			return err
		}
		rel, _ := filepath.Rel(dir, path)
		list = append(list, fmt.Sprintf("%s %d", rel, info.Size()))
		return nil
	})
	if err != nil && !errors.Is(err, os.ErrNotExist) {
		t.Fatal(err)
	}
	return list
}
