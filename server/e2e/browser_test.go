package e2e

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/log"
	"github.com/chromedp/cdproto/network"
	"github.com/chromedp/cdproto/runtime"
	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"
)

// The keys that journeys press besides letters.
const (
	keyTab   = kb.Tab
	keyEnter = kb.Enter
	keyEnd   = kb.End
)

// browser is one headless Chromium for the whole run. Its first call has no
// time limit: the limit of that call would be the limit of the browser's life.
var browser = sync.OnceValues(func() (context.Context, error) {
	o := chromedp.DefaultExecAllocatorOptions[:]
	for _, flag := range []string{"disable-gpu", "disable-quic", "no-first-run", "disable-background-networking", "disable-component-update", "disable-sync"} {
		o = append(o, chromedp.Flag(flag, true))
	}
	o = append(o, chromedp.Flag("headless", "new"), chromedp.UserDataDir(filepath.Join(work, "profile")), chromedp.WindowSize(1440, 900))
	if os.Getuid() == 0 {
		o = append(o, chromedp.NoSandbox)
	}
	alloc, end := chromedp.NewExecAllocator(context.Background(), o...)
	ctx, _ := chromedp.NewContext(alloc)
	browserEnd = func() { _ = chromedp.Cancel(ctx); end() }
	return ctx, chromedp.Do(ctx)
})

var browserEnd = func() {}

func endBrowser() { browserEnd() }

// tab is a window of its own: its cookies and storage are nobody else's.
type tab struct {
	*testing.T
	ctx  context.Context
	base string

	mu       sync.Mutex
	troubles []string // errors in the console, exceptions, refused resources
}

// newTab opens a tab on a server, signed in where the server has a session.
func newTab(t *testing.T, s *server) *tab {
	t.Helper()
	b := strangerTab(t, s)
	b.cookie(s.session)
	return b
}

// strangerTab opens a tab that nobody has signed in.
func strangerTab(t *testing.T, s *server) *tab {
	t.Helper()
	need(t, "chromium")
	parent, err := browser()
	if err != nil {
		t.Fatalf("start the browser: %v", err)
	}
	b := &tab{T: t, base: s.base}
	ctx, cancel := chromedp.NewContext(parent, chromedp.WithNewBrowserContext(), chromedp.WithListener(b.listen))
	t.Cleanup(cancel)
	b.ctx = ctx
	if err := chromedp.Do(ctx); err != nil {
		t.Fatalf("open a tab: %v", err)
	}
	call(b, network.Enable, network.EnableParams{})
	return b
}

// in lets a subtest use the tab.
func (b *tab) in(t *testing.T) {
	whole := b.T
	b.T = t
	t.Cleanup(func() { b.T = whole })
}

func (b *tab) listen(ev any) {
	say := ""
	switch ev := ev.(type) {
	case *runtime.EventExceptionThrown:
		say = "exception: " + ev.ExceptionDetails.Text
		if ev.ExceptionDetails.Exception != nil {
			say += " " + ev.ExceptionDetails.Exception.Description
		}
	case *runtime.EventConsoleAPICalled:
		if ev.Type == runtime.ConsoleAPICalledTypeError || ev.Type == runtime.ConsoleAPICalledTypeWarning {
			say = fmt.Sprintf("console %s", ev.Type)
			for _, a := range ev.Args {
				say += " " + string(a.Value) + a.Description
			}
		}
	case *log.EventEntryAdded:
		if ev.Entry.Level == log.EntryLevelError || ev.Entry.Level == log.EntryLevelWarning {
			say = fmt.Sprintf("%s: %s %s", ev.Entry.Source, ev.Entry.Text, ev.Entry.URL)
		}
	}
	if say != "" {
		b.mu.Lock()
		b.troubles = append(b.troubles, say)
		b.mu.Unlock()
	}
}

// trouble gives what the browser has complained of since the last call.
func (b *tab) trouble() []string {
	b.mu.Lock()
	defer b.mu.Unlock()
	out := b.troubles
	b.troubles = nil
	return out
}

func (b *tab) limited() (context.Context, context.CancelFunc) {
	return context.WithTimeout(b.ctx, patience)
}

func (b *tab) do(what string, steps ...chromedp.Action[chromedp.Void]) {
	b.Helper()
	ctx, cancel := b.limited()
	defer cancel()
	if err := chromedp.Do(ctx, steps...); err != nil {
		b.Fatalf("%s at %s: %v\n%s", what, b.where(), err, b.text("body"))
	}
}

// call sends a command of the protocol.
func call[P, R any](b *tab, cmd cdp.Command[P, R], params P) {
	b.Helper()
	ctx, cancel := b.limited()
	defer cancel()
	if _, err := chromedp.Call(ctx, cmd, params); err != nil {
		b.Fatalf("%s: %v", cmd.Method, err)
	}
}

func (b *tab) cookie(session string) {
	b.Helper()
	if session != "" {
		call(b, network.SetCookie, network.SetCookieParams{Name: "sideport", Value: session, URL: b.base, HTTPOnly: new(true)})
	}
}

// open goes to a path of the server and gives the status of the page.
func (b *tab) open(path string) int {
	b.Helper()
	return b.goes("open "+path, chromedp.Navigate(b.base+path))
}

// follow clicks what leads to another page and waits for that.
func (b *tab) follow(selector string) int {
	b.Helper()
	return b.goes("follow "+selector, chromedp.Click(chromedp.CSS(selector), chromedp.NodeVisible))
}

// enter presses Enter where that leads to another page.
func (b *tab) enter() int {
	b.Helper()
	return b.goes("press Enter", chromedp.KeyEvent(keyEnter))
}

func (b *tab) goes(what string, step chromedp.Action[chromedp.Void]) int {
	b.Helper()
	ctx, cancel := b.limited()
	defer cancel()
	res, err := chromedp.RunResponse(ctx, step)
	if err != nil {
		b.Fatalf("%s from %s: %v", what, b.where(), err)
	}
	if res == nil {
		return 0
	}
	return int(res.Status)
}

func (b *tab) click(selector string) {
	b.Helper()
	b.do("click "+selector, chromedp.Click(chromedp.CSS(selector), chromedp.NodeVisible))
}

// keys types, key by key, wherever the focus is.
func (b *tab) keys(s string) {
	b.Helper()
	b.do("type", chromedp.KeyEvent(s))
}

// fill puts words into a field as typing does, over what stands there.
func (b *tab) fill(selector, words string) {
	b.Helper()
	eval[bool](b, fmt.Sprintf(`(e => { e.focus(); if (e.select) e.select(); return true })(document.querySelector(%s))`, quote(selector)))
	if words == "" {
		b.keys(kb.Backspace)
		return
	}
	b.keys(words)
}

// choose puts files into a file field.
func (b *tab) choose(selector string, paths ...string) {
	b.Helper()
	b.do("choose a file for "+selector, chromedp.SetUploadFiles(chromedp.CSS(selector), paths))
}

// wide sets the width of the window in pixels.
func (b *tab) wide(width int64) {
	b.Helper()
	b.do("set the width", chromedp.EmulateViewport(width, 900))
}

// scriptless turns the scripts of pages off.
func (b *tab) scriptless() {
	b.Helper()
	call(b, emulation.SetScriptExecutionDisabled, emulation.SetScriptExecutionDisabledParams{Value: true})
}

// eval asks the page; a promise is awaited.
func eval[T any](b *tab, js string) T {
	b.Helper()
	got, err := tryEval[T](b, js)
	if err != nil {
		b.Fatalf("%s at %s: %v", js, b.where(), err)
	}
	return got
}

func tryEval[T any](b *tab, js string) (T, error) {
	ctx, cancel := b.limited()
	defer cancel()
	return chromedp.Run(ctx, chromedp.Evaluate[T](js, chromedp.EvalAwaitPromise))
}

// until waits for the page to be as a JavaScript expression says, across loads.
func (b *tab) until(js string) {
	b.Helper()
	ctx, cancel := b.limited()
	defer cancel()
	again := time.NewTicker(20 * time.Millisecond)
	defer again.Stop()
	for {
		yes, err := tryEval[bool](b, "Boolean("+js+")")
		if err == nil && yes {
			return
		}
		if thrown := (*chromedp.ExceptionError)(nil); errors.As(err, &thrown) && strings.Contains(thrown.Error(), "SyntaxError") {
			b.Fatalf("%s: %v", js, err)
		}
		select {
		case <-again.C:
		case <-ctx.Done():
			b.Fatalf("waited in vain for %s at %s (last: %v)\n%s", js, b.where(), err, b.text("body"))
		}
	}
}

// text gives the visible words of an element, "" where there is none.
func (b *tab) text(selector string) string {
	got, _ := tryEval[string](b, fmt.Sprintf(`document.querySelector(%s)?.innerText ?? ""`, quote(selector)))
	return got
}

func (b *tab) where() string {
	got, _ := tryEval[string](b, `location.href`)
	return strings.TrimPrefix(got, b.base)
}

// quote writes a string for JavaScript and for selectors alike.
func quote(s string) string {
	var b strings.Builder
	e := json.NewEncoder(&b)
	e.SetEscapeHTML(false)
	_ = e.Encode(s)
	return strings.TrimSpace(b.String())
}

// dark asks for the dark colours.
func (b *tab) dark() {
	b.Helper()
	call(b, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: "dark"}}})
}
