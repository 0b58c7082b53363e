package e2e

import (
	"fmt"
	"os"
	"strings"
	"testing"
)

// pagesOf lists every page that there is, with the status it answers.
func pagesOf(s *common, note string) []struct {
	name, path string
	status     int
} {
	at := func(id, rest string) string { return "/cases/" + id + rest }
	return []struct {
		name, path string
		status     int
	}{
		{"library", "/", 200},
		{"search", "/?q=loose+bag+horizontal+chop", 200},
		{"search that finds nothing", "/?q=zyxwvut", 200},
		{"narrowed library", "/?status=published&sort=title", 200},
		{"record", at(s.story, "?t=230"), 200},
		{"record with everything", at(s.full, ""), 200},
		{"second recording", at(s.full, "?rec=r2&t=14"), 200},
		{"record that is covered", at(s.covered, ""), 200},
		{"hostile record", at(s.hostile, ""), 200},
		{"choice of kinds", at(s.full, "/notes/new?t=5"), 200},
		{"new setting", at(s.full, "/notes/new?kind=setting&t=5"), 200},
		{"new decision", at(s.full, "/notes/new?kind=decision&t=5"), 200},
		{"change of a note", at(s.full, "/notes/"+note), 200},
		{"removal of a note", at(s.full, "/notes/"+note+"?delete=1"), 200},
		{"details", at(s.full, "/details"), 200},
		{"add", "/add", 200},
		{"help", "/help", 200},
		{"sign in", "/sign-in", 200},
		{"sign in with a dead link", "/sign-in?key=dead", 200},
		{"no such page", "/nowhere", 404},
		{"no such case", "/cases/nowhere", 404},
	}
}

// firstNote is a note of the case, as the record links to it.
func (b *tab) firstNote(id string) string {
	b.Helper()
	b.open("/cases/" + id)
	href := eval[string](b, `document.querySelector('.entry .change').getAttribute('href')`)
	return href[strings.LastIndex(href, "/")+1:]
}

// unlabelled lists the fields that have no name for those who cannot see them.
const unlabelled = `[...document.querySelectorAll('input:not([type=hidden]), select, textarea')]
	.filter(e => !(e.labels?.length || e.getAttribute('aria-label') || e.getAttribute('aria-labelledby')))
	.map(e => e.outerHTML)`

// overflow names what sticks out of the page to the right, "" where nothing does.
const overflow = `document.documentElement.scrollWidth <= innerWidth ? '' :
	document.documentElement.scrollWidth + ' px in ' + innerWidth + ': ' + [...document.querySelectorAll('body *')]
	.filter(e => e.getBoundingClientRect().right > innerWidth + 1).slice(0, 4).map(e => e.outerHTML.slice(0, 120)).join(' | ')`

func TestEveryPageFitsAndIsNamed(t *testing.T) {
	s := shared(t)
	b := newTab(t, s.server)
	note := b.firstNote(s.full)
	for _, p := range pagesOf(s, note) {
		t.Run(p.name, func(t *testing.T) {
			b.in(t)
			b.trouble()
			b.wide(1440)
			if got := b.open(p.path); got != p.status {
				t.Errorf("answered %d, not %d", got, p.status)
			}
			for _, width := range []int64{1440, 1024, 390} {
				b.wide(width)
				if got := eval[string](b, overflow); got != "" {
					t.Errorf("at %d the page is too wide: %s", width, got)
				}
			}
			if n := eval[int](b, `document.querySelectorAll('h1').length`); n != 1 {
				t.Errorf("%d headings of the first rank", n)
			}
			if got := eval[[]string](b, unlabelled); len(got) > 0 {
				t.Errorf("fields without a label: %v", got)
			}
			if title := eval[string](b, `document.title`); !strings.HasSuffix(title, "Sideport") || len(title) < 12 {
				t.Errorf("the title is %q", title)
			}
			for _, trouble := range b.trouble() {
				if p.status == 404 && strings.HasPrefix(trouble, "network: Failed to load resource") && strings.HasSuffix(trouble, p.path) {
					continue // the page itself, which is not there
				}
				t.Errorf("the browser complained: %s", trouble)
			}
		})
	}
}

// seen says of the focused element whether its focus can be seen: an outline,
// or a shadow that is not there without the focus.
const seen = `(e => { const s = getComputedStyle(e); return (s.outlineStyle !== 'none' && parseFloat(s.outlineWidth) > 0) || s.boxShadow !== 'none' })(document.activeElement)`

// The keyboard reaches everything that can be pressed, in the order of the
// page, the way past the head first, and one sees where it is.
func TestKeyboardReachesEverything(t *testing.T) {
	s := shared(t)
	b := newTab(t, s.server)
	note := b.firstNote(s.full)
	for _, p := range pagesOf(s, note) {
		if p.status != 200 {
			continue
		}
		t.Run(p.name, func(t *testing.T) {
			b.in(t)
			b.wide(1440)
			b.open(p.path)
			b.keys(keyTab)
			if got := eval[string](b, `document.activeElement.className`); got != "skip" {
				t.Fatalf("the first Tab leads to %q", got)
			}
			for i := 0; i < 12 && !eval[bool](b, `document.activeElement === document.body`); i++ {
				if !eval[bool](b, seen) {
					t.Errorf("stop %d: the focus cannot be seen on %s", i, eval[string](b, `document.activeElement.outerHTML.slice(0, 160)`))
				}
				b.keys(keyTab)
			}
			b.open(p.path)
			eval[bool](b, `(addEventListener('beforeunload', () => (window.leaving = true)), true)`)
			b.keys(keyTab)
			b.keys(keyEnter)
			b.until(`location.hash === '#main'`)
			b.keys(keyTab)
			if eval[bool](b, `new Promise(done => setTimeout(() => requestAnimationFrame(() => done(window.leaving === true))))`) {
				t.Error("the way past the head loads the page anew")
			}
			if !eval[bool](b, `document.activeElement.closest('main') !== null || !document.querySelector('main a, main button, main input')`) {
				t.Errorf("past the head, the next stop is %s", eval[string](b, `document.activeElement.outerHTML.slice(0, 160)`))
			}
		})
	}
}

// axe finds what breaks the rules of WCAG 2.1 A and AA that a program can judge.
func TestAccessibility(t *testing.T) {
	need(t, "node")
	source, err := os.ReadFile("node_modules/axe-core/axe.min.js")
	if err != nil {
		skip(t, "axe-core is not installed: npm ci in server/e2e")
	}
	s := shared(t)
	b := newTab(t, s.server)
	note := b.firstNote(s.full)
	for _, p := range pagesOf(s, note) {
		t.Run(p.name, func(t *testing.T) {
			b.in(t)
			b.wide(1440)
			b.open(p.path)
			b.axe(string(source))
		})
	}
	t.Run("narrow", func(t *testing.T) {
		b.in(t)
		b.wide(390)
		b.open("/cases/" + s.full)
		b.axe(string(source))
	})
	t.Run("form with mistakes", func(t *testing.T) {
		b.in(t)
		b.wide(1440)
		b.open("/cases/" + s.full + "/notes/new?kind=remark")
		b.fill("#from", "soonish")
		b.fill("#words", "x")
		b.follow("form.sheet .acts button")
		b.axe(string(source))
	})
	t.Run("dark", func(t *testing.T) {
		b.in(t)
		b.dark()
		for _, path := range []string{"/?q=chop", "/cases/" + s.full, "/add"} {
			b.open(path)
			b.axe(string(source))
		}
	})
}

type violation struct {
	ID, Help string
	Nodes    []string
}

func (b *tab) axe(source string) {
	b.Helper()
	eval[bool](b, source+"; true")
	for _, v := range eval[[]violation](b, `axe.run(document, { runOnly: ['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa'], resultTypes: ['violations'] })
		.then(r => r.violations.map(v => ({ ID: v.id, Help: v.help, Nodes: v.nodes.map(n => n.html.slice(0, 200) + ' ' + n.failureSummary.slice(0, 300)) })))`) {
		b.Errorf("%s: %s\n  %s", v.ID, v.Help, strings.Join(v.Nodes[:min(3, len(v.Nodes))], "\n  "))
	}
}

// The rule itself can fail: a page that breaks it is caught.
func TestThePageRulesRefuse(t *testing.T) {
	s := shared(t)
	b := newTab(t, s.server)
	b.wide(390)
	for _, c := range []struct{ name, spoil, ask string }{
		{"overflow", `document.querySelector('main').style.minWidth = '500px'`, overflow},
		{"label", `document.querySelector('main').append(document.createElement('input'))`, unlabelled + `.join()`},
		{"focus", `(e => { e.focus(); e.style.outline = 'none'; e.style.boxShadow = 'none' })(document.querySelector('a'))`, seen + ` ? '' : 'unseen'`},
	} {
		b.open("/help")
		if got := eval[string](b, c.ask); got != "" && c.name != "focus" {
			t.Errorf("%s: found %q before it was spoilt", c.name, got)
		}
		eval[any](b, fmt.Sprintf(`(() => { %s })()`, c.spoil))
		if got := eval[string](b, c.ask); got == "" {
			t.Errorf("%s: spoilt, and nothing is found", c.name)
		}
	}
}
