package e2e

import (
	"crypto/sha256"
	"encoding/hex"
	"io"
	"net"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
)

func TestAddACaseByUpload(t *testing.T) {
	s := serve(t, t.TempDir()).signedIn(t)
	b := newTab(t, s)
	vtt := write(t, filepath.Join(t.TempDir(), "words.vtt"), narration)

	b.open("/add")
	b.choose("input[name=film]", film(t, "old.mkv"))
	b.until(`document.querySelector('[data-say]').textContent.includes('is here')`)
	b.choose("input[name=captions]", vtt)
	b.fill("input[name=title]", "Sent by browser")
	b.follow("main .acts button")
	if got := b.text("h1"); got != "Sent by browser" {
		t.Fatalf("after adding: %q at %s\n%s", got, b.where(), b.text("main"))
	}
	if got := b.text(".notice"); !strings.Contains(got, "The case is added") {
		t.Errorf("the notice is %q", got)
	}
	// Encoding takes a while, so the page is there before the film: it says so,
	// and opens the film by itself when it is ready.
	if got := b.text("main"); !strings.Contains(got, "being prepared") && !eval[bool](b, `document.querySelector('video') !== null`) {
		t.Errorf("nothing is said of the film: %s", got)
	}
	b.until(`document.querySelector('video')`)
	b.uncover()
	b.until(`document.querySelector('video').readyState >= 1`)
	b.until(`Math.abs(document.querySelector('video').duration - 60) < 1`)
	eval[bool](b, `(document.querySelector('video').currentTime = 31.4, true)`)
	b.until(`(v => v.readyState >= 2 && !v.seeking && Math.abs(v.currentTime - 31.4) < 0.05)(document.querySelector('video'))`)
	b.until(`document.querySelectorAll('track[kind=captions]').length === 1`)
	if left := files(t, filepath.Join(s.data, "uploads")); len(left) > 0 {
		t.Errorf("left behind in the spool: %v", left)
	}
	if ps := b.trouble(); len(ps) > 0 {
		t.Errorf("the browser complained: %v", ps)
	}
}

// uncover shows a film that is kept covered.
func (b *tab) uncover() {
	b.Helper()
	if eval[bool](b, `document.querySelector('[data-uncover]') !== null`) {
		b.click("[data-uncover]")
	}
}

// tap is a listener between browser and server that can stop what passes.
type tap struct {
	net.Listener
	to string

	mu    sync.Mutex
	conns []net.Conn
	limit int64         // bytes from the browser that may pass; below 0: all
	seen  int64         // bytes from the browser since the limit was set
	full  chan struct{} // closed when the limit is reached; nothing passes until the next
	next  chan struct{} // closed when everything is cut
}

func newTap(t *testing.T, to string) *tap {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	p := &tap{Listener: l, to: to, limit: -1, next: make(chan struct{})}
	t.Cleanup(func() { l.Close(); p.cut() })
	go p.run()
	return p
}

func (p *tap) run() {
	for {
		from, err := p.Accept()
		if err != nil {
			return
		}
		to, err := net.Dial("tcp", p.to)
		if err != nil {
			from.Close()
			continue
		}
		p.mu.Lock()
		p.conns = append(p.conns, from, to)
		p.mu.Unlock()
		go func() { _, _ = io.Copy(from, to); from.Close() }()
		go func() { _, _ = io.Copy(to, gate{from, p}); to.Close() }()
	}
}

// gate counts what the browser sends and holds it back at the limit.
type gate struct {
	from io.Reader
	p    *tap
}

func (g gate) Read(b []byte) (int, error) {
	n, err := g.from.Read(b)
	g.p.mu.Lock()
	g.p.seen += int64(n)
	reached, next := g.p.limit >= 0 && g.p.seen >= g.p.limit, g.p.next
	if reached && g.p.full != nil {
		close(g.p.full)
		g.p.full = nil
	}
	g.p.mu.Unlock()
	if reached {
		<-next
		return 0, io.ErrClosedPipe
	}
	return n, err
}

// after lets so many bytes from the browser pass and says when they have.
func (p *tap) after(bytes int64) <-chan struct{} {
	p.mu.Lock()
	defer p.mu.Unlock()
	full := make(chan struct{})
	p.seen, p.limit, p.full = 0, bytes, full
	return full
}

func (p *tap) passed() int64 {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.seen
}

// cut breaks every connection and lets the next ones pass.
func (p *tap) cut() {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.limit = -1
	close(p.next)
	p.next = make(chan struct{})
	for _, c := range p.conns {
		c.Close()
	}
	p.conns = nil
}

// The server dies twice in the middle of one upload: the first time the page
// stays and goes on by itself, the second time it is loaded anew.
func TestUploadSurvivesAKilledServer(t *testing.T) {
	data := t.TempDir()
	s := serve(t, data).signedIn(t)
	large := film(t, "large.mp4")
	info, err := os.Stat(large)
	if err != nil {
		t.Fatal(err)
	}
	third := info.Size() / 3
	p := newTap(t, s.host())
	front := *s
	front.base = "http://" + p.Addr().String()
	b := newTab(t, &front)

	b.open("/add")
	gone := p.after(third)
	b.choose("input[name=film]", large)
	<-gone
	s.kill()
	p.cut()
	b.until(`document.querySelector('[data-say]').textContent.includes('network is gone')`)
	arrived := partSize(t, data)
	if arrived == 0 || arrived >= info.Size() {
		t.Fatalf("%d of %d bytes had arrived when the server died: no test of anything", arrived, info.Size())
	}
	gone = p.after(third)
	s = again(t, s)
	<-gone
	s.kill()
	p.cut()
	second := partSize(t, data)
	if second <= arrived || second >= info.Size() {
		t.Fatalf("%d bytes had arrived, then %d of %d", arrived, second, info.Size())
	}

	again(t, s)
	b.open("/add")
	p.after(-1)
	b.choose("input[name=film]", large)
	b.until(`document.querySelector('[data-say]').textContent.includes('is here')`)
	// What had arrived is not sent again; a page has its own few kilobytes.
	if got, most := p.passed(), info.Size()-second+64<<10; got > most {
		t.Errorf("%d bytes were sent after the second death, at most %d were missing", got, most)
	}
	b.fill("input[name=title]", "Through two deaths")
	b.follow("main .acts button")
	b.until(`document.querySelector('video')`)

	sum := hashOf(t, large)
	kept := filepath.Join(data, "files", sum[:2], sum)
	if got := hashOf(t, kept); got != sum {
		t.Errorf("what was kept hashes to %s, what was sent to %s", got, sum)
	}
	if left := files(t, filepath.Join(data, "uploads")); len(left) > 0 {
		t.Errorf("left behind in the spool: %v", left)
	}
	if left := slices.DeleteFunc(files(t, filepath.Join(data, "files", "scratch")), func(f string) bool { return strings.HasSuffix(f, " 0") }); len(left) > 0 {
		t.Errorf("left behind in the scratch folder: %v", left)
	}
	if got := must(t, data, "check"); strings.Contains(got, "\n") {
		t.Errorf("check found something: %s", got)
	}
}

// again starts a killed server on the same folder and port.
func again(t *testing.T, s *server) *server {
	t.Helper()
	next := serveAt(t, s.data, s.host())
	next.session = s.session
	return next
}

// partSize is how much of the one upload under way has arrived.
func partSize(t *testing.T, data string) int64 {
	t.Helper()
	entries, err := os.ReadDir(filepath.Join(data, "uploads"))
	if err != nil {
		t.Fatal(err)
	}
	most := int64(0)
	for _, e := range entries {
		if info, err := e.Info(); err == nil {
			most = max(most, info.Size())
		}
	}
	return most
}

func hashOf(t *testing.T, path string) string {
	t.Helper()
	f, err := os.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	h := sha256.New()
	if _, err := io.Copy(h, f); err != nil {
		t.Fatal(err)
	}
	return hex.EncodeToString(h.Sum(nil))
}
