package upload

import (
	"bufio"
	stdbytes "bytes"
	"context"
	"encoding/base64"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"log/slog"
	"math/rand/v2"
	"net"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"sideport/annotate"
)

const mib = 1 << 20

// house is a real server over a folder of parts.
type house struct {
	t   *testing.T
	up  *Uploads
	srv *httptest.Server
	log *stdbytes.Buffer
}

func open(t *testing.T, dir string) *house {
	t.Helper()
	h := &house{t: t, log: &stdbytes.Buffer{}}
	up, err := New(options(dir, slog.New(slog.NewTextHandler(h.log, nil))))
	if err != nil {
		t.Fatal(err)
	}
	h.up = up
	h.srv = httptest.NewServer(up.Handler())
	t.Cleanup(h.srv.Close)
	return h
}

func options(dir string, log *slog.Logger) Options {
	return Options{
		Dir: dir, BasePath: "/uploads/", MaxSize: 64 * mib, Keep: 24 * time.Hour, Now: time.Now, Log: log,
		Owner: func(r *http.Request) string { return r.Header.Get("Account") },
	}
}

// ask sends a request as account "a1" unless the header says otherwise.
func (h *house) ask(method, path string, header map[string]string, body []byte) (*http.Response, string) {
	h.t.Helper()
	r, err := http.NewRequestWithContext(h.t.Context(), method, h.srv.URL+path, stdbytes.NewReader(body))
	if err != nil {
		h.t.Fatal(err)
	}
	for k, v := range with(map[string]string{"Account": "a1", "Tus-Resumable": "1.0.0"}, header) {
		if v != "" {
			r.Header.Set(k, v)
		}
	}
	resp, err := http.DefaultClient.Do(r)
	if err != nil {
		h.t.Fatal(err)
	}
	defer resp.Body.Close()
	b, err := io.ReadAll(resp.Body)
	if err != nil {
		h.t.Fatal(err)
	}
	return resp, string(b)
}

func with(base, more map[string]string) map[string]string {
	out := map[string]string{}
	for _, m := range []map[string]string{base, more} {
		for k, v := range m {
			out[k] = v
		}
	}
	return out
}

func patching(offset int64) map[string]string {
	return map[string]string{"Content-Type": "application/offset+octet-stream", "Upload-Offset": strconv.FormatInt(offset, 10)}
}

func named(size int, name string) map[string]string {
	return map[string]string{"Upload-Length": strconv.Itoa(size), "Upload-Metadata": "filename " + base64.StdEncoding.EncodeToString([]byte(name))}
}

// begin makes an upload and gives its path.
func (h *house) begin(size int) string {
	h.t.Helper()
	resp, body := h.ask("POST", "/uploads/", named(size, "left eye.mp4"), nil)
	at := resp.Header.Get("Location")
	if resp.StatusCode != http.StatusCreated || !strings.HasPrefix(at, "/uploads/") {
		h.t.Fatalf("begin %d bytes: got %d at %q: %s", size, resp.StatusCode, at, body)
	}
	return at
}

func (h *house) offset(at string) int64 {
	h.t.Helper()
	resp, _ := h.ask("HEAD", at, nil, nil)
	n, err := strconv.ParseInt(resp.Header.Get("Upload-Offset"), 10, 64)
	if resp.StatusCode != http.StatusOK || err != nil {
		h.t.Fatalf("HEAD %s: got %d, offset %q", at, resp.StatusCode, resp.Header.Get("Upload-Offset"))
	}
	return n
}

// finish sends what is missing of film and holds what the server has against it.
func (h *house) finish(at string, film []byte) File {
	h.t.Helper()
	off := h.offset(at)
	if resp, body := h.ask("PATCH", at, patching(off), film[off:]); resp.StatusCode != http.StatusNoContent {
		h.t.Fatalf("PATCH from %d: got %d: %s", off, resp.StatusCode, body)
	}
	f, err := h.up.Finished(h.t.Context(), id(at), "a1")
	if err != nil {
		h.t.Fatal(err)
	}
	got, err := os.ReadFile(f.Path)
	if err != nil {
		h.t.Fatal(err)
	}
	if !stdbytes.Equal(got, film) {
		h.t.Fatalf("the bytes kept differ from the %d sent (%d kept)", len(film), len(got))
	}
	return f
}

// dial sends the head of a PATCH that promises size bytes, and some of them.
func dial(t *testing.T, url, at string, offset int64, size int, some []byte) *net.TCPConn {
	t.Helper()
	c, err := net.Dial("tcp", strings.TrimPrefix(url, "http://"))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { c.Close() })
	fmt.Fprintf(c, "PATCH %s HTTP/1.1\r\nHost: x\r\nAccount: a1\r\nTus-Resumable: 1.0.0\r\nContent-Type: application/offset+octet-stream\r\nUpload-Offset: %d\r\nContent-Length: %d\r\n\r\n", at, offset, size)
	if _, err := c.Write(some); err != nil {
		t.Fatal(err)
	}
	return c.(*net.TCPConn)
}

func id(at string) string { return strings.TrimPrefix(at, "/uploads/") }

func bytesOf(n int) []byte {
	b := make([]byte, n)
	_, _ = rand.NewChaCha8([32]byte{1}).Read(b)
	return b
}

// left lists what there is in the folder.
func left(t *testing.T, dir string) []string {
	t.Helper()
	names, err := filepath.Glob(filepath.Join(dir, "*"))
	if err != nil {
		t.Fatal(err)
	}
	return names
}

func TestGoesOnAfterALostConnectionAndARestart(t *testing.T) {
	dir, film := t.TempDir(), bytesOf(5*mib)
	first := open(t, dir)
	at := first.begin(len(film))
	c := dial(t, first.srv.URL, at, 0, len(film), film[:2*mib])
	if err := c.CloseWrite(); err != nil {
		t.Fatal(err)
	}
	// The answer comes once the server has given up on the rest.
	if _, err := io.Copy(io.Discard, c); err != nil {
		t.Fatal(err)
	}
	first.srv.Close()

	second := open(t, dir)
	if got := second.offset(at); got != 2*mib {
		t.Fatalf("offset after the restart: got %d, want %d", got, 2*mib)
	}
	if f := second.finish(at, film); f.Name != "left eye.mp4" || f.Size != int64(len(film)) {
		t.Errorf("finished as %q of %d bytes", f.Name, f.Size)
	}
}

// TestGoesOnAfterAKilledServer kills a server process in the middle of a part.
func TestGoesOnAfterAKilledServer(t *testing.T) {
	if dir := os.Getenv("UPLOAD_TEST_SERVE"); dir != "" {
		serveUntilKilled(t, dir)
	}
	dir, film := t.TempDir(), bytesOf(5*mib)
	child, url := startChild(t, dir)
	h := &house{t: t, srv: &httptest.Server{URL: url}}
	at := h.begin(len(film))
	if resp, body := h.ask("PATCH", at, patching(0), film[:mib]); resp.StatusCode != http.StatusNoContent {
		t.Fatalf("first MiB: got %d: %s", resp.StatusCode, body)
	}
	dial(t, url, at, mib, 4*mib, film[mib:2*mib])
	if err := child.Kill(); err != nil {
		t.Fatal(err)
	}
	if _, err := child.Wait(); err != nil {
		t.Fatal(err)
	}

	h = open(t, dir)
	st, err := os.Stat(h.up.parts.path(id(at), partExt))
	if err != nil {
		t.Fatal(err)
	}
	got := h.offset(at)
	if got != st.Size() || got < mib || got > 2*mib {
		t.Fatalf("offset after the kill: got %d; %d bytes are on disk, %d were acknowledged, %d sent", got, st.Size(), mib, 2*mib)
	}
	h.finish(at, film)
}

func serveUntilKilled(t *testing.T, dir string) {
	h := open(t, dir)
	fmt.Println(h.srv.URL)
	<-t.Context().Done()
}

func startChild(t *testing.T, dir string) (*os.Process, string) {
	t.Helper()
	exe, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	r, w, err := os.Pipe()
	if err != nil {
		t.Fatal(err)
	}
	p, err := os.StartProcess(exe, []string{exe, "-test.run=^TestGoesOnAfterAKilledServer$"}, &os.ProcAttr{
		Env: append(os.Environ(), "UPLOAD_TEST_SERVE="+dir), Files: []*os.File{nil, w, os.Stderr},
	})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = p.Kill() })
	w.Close()
	line, err := bufio.NewReader(r).ReadString('\n')
	if err != nil {
		t.Fatal(err)
	}
	return p, strings.TrimSpace(line)
}

func TestASecondRequestOfTheOwnerTakesOverFromAStalledOne(t *testing.T) {
	h, film := open(t, t.TempDir()), bytesOf(5*mib)
	at := h.begin(len(film))
	writing := make(chan struct{}, 8)
	h.up.parts.free = func(string) (int64, error) { writing <- struct{}{}; return 1 << 40, nil }
	dial(t, h.srv.URL, at, 0, len(film), film[:mib])
	<-writing // the stalled request holds the upload

	if resp, _ := h.ask("HEAD", at, map[string]string{"Account": "b2"}, nil); resp.StatusCode != http.StatusNotFound {
		t.Fatalf("HEAD by another account: got %d, want 404", resp.StatusCode)
	}
	if got := h.offset(at); got > mib {
		t.Fatalf("offset: got %d, but only %d were sent", got, mib)
	}
	h.finish(at, film)
}

func TestWhatIsRefused(t *testing.T) {
	h := open(t, t.TempDir())
	at := h.begin(1000)
	if resp, body := h.ask("PATCH", at, patching(0), bytesOf(400)); resp.StatusCode != http.StatusNoContent {
		t.Fatalf("first 400 bytes: got %d: %s", resp.StatusCode, body)
	}
	none := "/uploads/" + strings.Repeat("A", 26)
	for _, c := range []struct {
		name, method, path string
		header             map[string]string
		status             int
		say                string
	}{
		{"not signed in", "POST", "/uploads/", with(named(10, "x"), map[string]string{"Account": ""}), 401, "Sign in"},
		{"beyond the limit", "POST", "/uploads/", named(64*mib+1, "x"), 413, "one film may be 67 MB at most"},
		{"empty", "POST", "/uploads/", named(0, "x"), 400, "This file is empty"},
		{"no length", "POST", "/uploads/", nil, 400, "Upload-Length"},
		{"negative length", "POST", "/uploads/", named(-1, "x"), 400, "Upload-Length"},
		{"deferred length", "POST", "/uploads/", map[string]string{"Upload-Defer-Length": "1"}, 501, ""},
		{"no version", "POST", "/uploads/", with(named(10, "x"), map[string]string{"Tus-Resumable": ""}), 412, ""},
		{"wrong version", "PATCH", at, with(patching(400), map[string]string{"Tus-Resumable": "0.2.2"}), 412, ""},
		{"behind", "PATCH", at, patching(399), 409, ""},
		{"ahead", "PATCH", at, patching(401), 409, ""},
		{"no offset", "PATCH", at, map[string]string{"Content-Type": "application/offset+octet-stream"}, 400, "Upload-Offset"},
		{"wrong content type", "PATCH", at, with(patching(400), map[string]string{"Content-Type": "video/mp4"}), 400, "Content-Type"},
		{"more than promised", "PATCH", at, patching(400), 413, ""},
		{"no such upload", "PATCH", none, patching(0), 404, "no such upload"},
		{"not an id", "HEAD", "/uploads/..%2f..%2fetc%2fpasswd", nil, 404, ""},
		{"download", "GET", at, nil, 405, "PATCH"},
		{"list", "GET", "/uploads/", nil, 405, "POST"},
		{"another owner's HEAD", "HEAD", at, map[string]string{"Account": "b2"}, 404, ""},
		{"another owner's PATCH", "PATCH", at, with(patching(400), map[string]string{"Account": "b2"}), 404, "no such upload"},
		{"another owner's DELETE", "DELETE", at, map[string]string{"Account": "b2"}, 404, "no such upload"},
	} {
		t.Run(c.name, func(t *testing.T) {
			resp, body := h.ask(c.method, c.path, c.header, bytesOf(601))
			if resp.StatusCode != c.status || !strings.Contains(body, c.say) {
				t.Errorf("got %d %q, want %d with %q", resp.StatusCode, body, c.status, c.say)
			}
			if strings.Contains(body, h.up.o.Dir) {
				t.Errorf("the answer names a path of the server: %q", body)
			}
			if resp.Header.Get("Tus-Version") != "1.0.0" {
				t.Errorf("Tus-Version is %q", resp.Header.Get("Tus-Version"))
			}
		})
	}
	if got := h.offset(at); got != 400 {
		t.Errorf("after all that the offset is %d, want 400", got)
	}
	if n := len(left(t, h.up.o.Dir)); n != 2 {
		t.Errorf("%d files in the folder, want the 2 of the one upload", n)
	}
}

func TestFitsBesideOtherThings(t *testing.T) {
	h := open(t, t.TempDir())
	resp, _ := h.ask("OPTIONS", "/uploads/", map[string]string{"Origin": "https://elsewhere.example", "Access-Control-Request-Method": "POST"}, nil)
	if got := resp.Header.Get("Tus-Extension"); got != "creation,creation-with-upload,termination" {
		t.Errorf("extensions: %q", got)
	}
	if got := resp.Header.Get("Tus-Max-Size"); got != strconv.Itoa(64*mib) {
		t.Errorf("Tus-Max-Size: %q", got)
	}
	for k := range resp.Header {
		if strings.HasPrefix(k, "Access-Control-") {
			t.Errorf("another site is let in: %s", k)
		}
	}
}

func TestADiskWithoutRoom(t *testing.T) {
	h, film := open(t, t.TempDir()), bytesOf(40*mib)
	room := int64(Margin + len(film) - 1)
	h.up.parts.free = func(string) (int64, error) { return room, nil }
	resp, body := h.ask("POST", "/uploads/", named(len(film), "x"), nil)
	if resp.StatusCode != http.StatusInsufficientStorage || !strings.Contains(body, "This film is 42 MB and the library's disk has room for 42 MB") {
		t.Fatalf("at the start: got %d %q", resp.StatusCode, body)
	}
	if n := len(left(t, h.up.o.Dir)); n != 0 {
		t.Fatalf("%d files left behind", n)
	}

	room++
	at := h.begin(len(film))
	calls := 0
	h.up.parts.free = func(string) (int64, error) { // others fill the disk meanwhile
		if calls++; calls > 1 {
			return Margin - 1, nil
		}
		return Margin, nil
	}
	resp, body = h.ask("PATCH", at, patching(0), film)
	if resp.StatusCode != http.StatusInsufficientStorage || !strings.Contains(body, "disk is full. What has arrived is kept") {
		t.Fatalf("in the middle: got %d %q", resp.StatusCode, body)
	}
	if got := h.offset(at); got < roomEvery || got >= roomEvery+chunk {
		t.Fatalf("kept %d bytes, want %d and less than a chunk more", got, roomEvery)
	}
	h.up.parts.free = func(string) (int64, error) { return 1 << 40, nil }
	h.finish(at, film)
}

func TestOnlyTheOwnerFinishes(t *testing.T) {
	h, film := open(t, t.TempDir()), bytesOf(1000)
	at := h.begin(len(film))
	if _, err := h.up.Finished(t.Context(), id(at), "a1"); annotate.CauseOf(err) != annotate.Busy || !strings.Contains(err.Error(), "0 bytes of 1.0 kB") {
		t.Errorf("before the bytes came: %v", err)
	}
	f := h.finish(at, film)
	for _, c := range []struct{ name, id, owner string }{
		{"another owner", id(at), "b2"},
		{"nobody", id(at), ""},
		{"no such id", strings.Repeat("A", 26), "a1"},
		{"a path", "../" + id(at), "a1"},
	} {
		t.Run(c.name, func(t *testing.T) {
			if _, err := h.up.Finished(t.Context(), c.id, c.owner); annotate.CauseOf(err) != annotate.Missing || !errors.Is(err, fs.ErrNotExist) {
				t.Errorf("got %v, want a fault: missing", err)
			}
		})
	}
	// Adopted: the vault has moved the part away.
	if err := os.Rename(f.Path, filepath.Join(t.TempDir(), "adopted")); err != nil {
		t.Fatal(err)
	}
	if _, err := h.up.Finished(t.Context(), id(at), "a1"); annotate.CauseOf(err) != annotate.Missing {
		t.Errorf("after adoption: %v", err)
	}
	for range 2 {
		if err := h.up.Discard(t.Context(), id(at)); err != nil {
			t.Fatal(err)
		}
	}
	if n := left(t, h.up.o.Dir); len(n) != 0 {
		t.Errorf("left behind: %v", n)
	}
}

func TestTheOwnerDropsAnUpload(t *testing.T) {
	h := open(t, t.TempDir())
	at := h.begin(1000)
	if resp, body := h.ask("DELETE", at, nil, nil); resp.StatusCode != http.StatusNoContent {
		t.Fatalf("got %d %s", resp.StatusCode, body)
	}
	if resp, _ := h.ask("HEAD", at, nil, nil); resp.StatusCode != http.StatusNotFound {
		t.Errorf("still there: %d", resp.StatusCode)
	}
	if n := left(t, h.up.o.Dir); len(n) != 0 {
		t.Errorf("left behind: %v", n)
	}
}

func TestSweep(t *testing.T) {
	dir := t.TempDir()
	h := open(t, dir)
	old, fresh, orphan := id(h.begin(1000)), id(h.begin(1000)), strings.Repeat("B", 26)
	stranger := filepath.Join(dir, "README.txt")
	for _, p := range []string{stranger, filepath.Join(dir, orphan+partExt)} {
		if err := os.WriteFile(p, []byte("x"), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	long := time.Now().Add(-25 * time.Hour)
	for _, p := range []string{stranger, h.up.parts.path(orphan, partExt), h.up.parts.path(old, partExt), h.up.parts.path(old, recordExt), h.up.parts.path(fresh, recordExt)} {
		if err := os.Chtimes(p, long, long); err != nil {
			t.Fatal(err)
		}
	}
	if err := h.up.Sweep(t.Context()); err != nil {
		t.Fatal(err)
	}
	want := []string{h.up.parts.path(fresh, recordExt), h.up.parts.path(fresh, partExt), stranger}
	for _, p := range want {
		if _, err := os.Stat(p); err != nil {
			t.Errorf("swept by mistake: %v", err)
		}
	}
	if got := left(t, dir); len(got) != len(want) {
		t.Errorf("left: %v, want %v", got, want)
	}
}

func TestDiscardStopsWhenToldTo(t *testing.T) {
	h := open(t, t.TempDir())
	name := id(h.begin(10))
	lock, err := h.up.locks.NewLock(name)
	if err != nil {
		t.Fatal(err)
	}
	if err := lock.Lock(t.Context(), func() {}); err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if err := h.up.Discard(ctx, name); !errors.Is(err, context.Canceled) {
		t.Errorf("got %v, want cancelled", err)
	}
}

func TestTheLogHoldsIdsOnly(t *testing.T) {
	h, film := open(t, t.TempDir()), bytesOf(1000)
	resp, _ := h.ask("POST", "/uploads/", named(len(film), "Marked Patient 1961.mp4"), nil)
	h.finish(resp.Header.Get("Location"), film)
	text := h.log.String()
	if !strings.Contains(text, "upload complete") {
		t.Errorf("nothing logged of the upload: %s", text)
	}
	for _, bad := range []string{"Marked", "1961", h.up.o.Dir} {
		if strings.Contains(text, bad) {
			t.Errorf("the log holds %q: %s", bad, text)
		}
	}
}

func TestARecordCutOffByACrashIsNoUpload(t *testing.T) {
	h := open(t, t.TempDir())
	at := h.begin(1000)
	if err := os.WriteFile(h.up.parts.path(id(at), recordExt), []byte(`{"owner":"a`), 0o600); err != nil {
		t.Fatal(err)
	}
	if resp, _ := h.ask("HEAD", at, nil, nil); resp.StatusCode != http.StatusNotFound {
		t.Errorf("got %d, want 404", resp.StatusCode)
	}
}

func TestADiskThatIsReallyFullIsSaidSo(t *testing.T) {
	h := open(t, t.TempDir())
	for _, c := range []struct {
		name   string
		err    error
		status int
	}{
		{"disk full", &fs.PathError{Op: "write", Path: h.up.o.Dir, Err: syscall.ENOSPC}, 507},
		{"quota", &fs.PathError{Op: "write", Path: h.up.o.Dir, Err: syscall.EDQUOT}, 507},
		{"worn out", &fs.PathError{Op: "write", Path: h.up.o.Dir, Err: syscall.EIO}, 500},
	} {
		t.Run(c.name, func(t *testing.T) {
			w := httptest.NewRecorder()
			sayError(w, h.up.parts.fault("x", c.err))
			if w.Code != c.status || strings.Contains(w.Body.String(), h.up.o.Dir) {
				t.Errorf("got %d %q, want %d and no path", w.Code, w.Body, c.status)
			}
		})
	}
}
