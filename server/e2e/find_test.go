package e2e

import (
	"fmt"
	"strconv"
	"strings"
	"testing"
)

// at waits until the film stands at a second.
func (b *tab) at(second float64) {
	b.Helper()
	b.until(fmt.Sprintf(`(v => v && v.readyState >= 1 && !v.seeking && Math.abs(v.currentTime - %g) <= 0.05)(document.querySelector('video'))`, second))
}

func TestSearchOpensTheFilmAtTheSecond(t *testing.T) {
	s := shared(t)
	b := newTab(t, s.server)
	b.open("/")
	b.fill("#q", "loose bag horizontal chop")
	b.enter()
	row := fmt.Sprintf(`.case:has(a[href^="/cases/%s"])`, s.story)
	if first := eval[bool](b, fmt.Sprintf(`document.querySelector('.cases > :first-child').matches(%s)`, quote(row))); !first {
		t.Errorf("the case is not the first row:\n%s", b.text("#results"))
	}
	for _, word := range []string{"Loose bag, horizontal chop", "moments"} {
		if got := b.text("#results"); !strings.Contains(got, word) {
			t.Errorf("the results do not say %q:\n%s", word, got)
		}
	}
	href := eval[string](b, fmt.Sprintf(`[...document.querySelectorAll(%s)].find(a => a.textContent === '03:50').getAttribute('href')`, quote(row+" .moments a.t")))
	b.follow(fmt.Sprintf(`%s .moments a[href=%s]`, row, quote(href)))
	b.uncover()
	b.at(230)
	if got := b.text(".entry[aria-current=true]"); !strings.Contains(got, "03:50") {
		t.Errorf("the running record stands at %q", got)
	}

	// A second of the record sends the film there without leaving the page.
	eval[bool](b, `window.stayed = true`)
	b.click(`.points a[href*="t=330"]`)
	b.until(`document.querySelector('video').currentTime >= 330 && document.querySelector('video').currentTime < 340`)
	if got := b.where(); !strings.Contains(got, "t=330") {
		t.Errorf("the address stays at %s", got)
	}
	if !eval[bool](b, `window.stayed === true`) {
		t.Error("the page was loaded anew")
	}
}

// Every way of writing a second opens the film there.
func TestDeepLinks(t *testing.T) {
	s := shared(t)
	for _, c := range []struct {
		link string
		at   float64
	}{
		{"?t=21.3", 21.3}, {"#t=21.3", 21.3}, {"#t=npt:00:21.3,30", 21.3}, {"?t=00:21.3", 21.3}, {"?t=21.3#t=40", 40},
		{"", 0}, {"?t=nonsense", 0}, {"#t=nonsense", 0},
	} {
		t.Run("at "+c.link, func(t *testing.T) {
			b := newTab(t, s.server)
			b.open("/cases/" + s.old + c.link)
			b.at(c.at)
		})
	}
	t.Run("a fragment on the page that is open", func(t *testing.T) {
		b := newTab(t, s.server)
		b.open("/cases/" + s.old)
		b.at(0)
		eval[bool](b, `(location.hash = '#t=33.2', true)`)
		b.at(33.2)
	})
	t.Run("covered", func(t *testing.T) {
		b := newTab(t, s.server)
		b.open("/cases/" + s.covered + "?t=21.3")
		if got := eval[float64](b, `document.querySelector('video').buffered.length`); got != 0 {
			t.Errorf("a covered film is being read")
		}
		b.uncover()
		b.at(21.3)
	})
	t.Run("without scripts", func(t *testing.T) {
		b := newTab(t, s.server)
		b.scriptless()
		b.open("/cases/" + s.old + "?t=21.3")
		src := eval[string](b, `document.querySelector('video source').getAttribute('src')`)
		_, at, ok := strings.Cut(src, "#t=")
		if got, err := strconv.ParseFloat(at, 64); !ok || err != nil || got != 21.3 {
			t.Errorf("the film is %q", src)
		}
		b.at(21.3)
	})
}

// What finds nothing says so, and leads on.
func TestSearchesThatFindNothing(t *testing.T) {
	b := newTab(t, shared(t).server)
	b.open("/?q=zyxwvut")
	if got := b.text("#results"); !strings.Contains(got, "Nothing found for “zyxwvut”") || !strings.Contains(got, "loose bag horizontal chop") {
		t.Errorf("it says %q", got)
	}
	b.follow(`.nothing a[href*="loose"]`)
	if got := b.text(".cases"); !strings.Contains(got, "Loose bag, horizontal chop") {
		t.Errorf("the way on leads to %q", got)
	}
}
