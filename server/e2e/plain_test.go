package e2e

import (
	"strings"
	"testing"
)

// Everything that matters works in a browser that runs no scripts.
func TestPagesWithoutScripts(t *testing.T) {
	s := serve(t, t.TempDir())
	b := strangerTab(t, s)
	b.scriptless()
	b.open("/")
	if got := b.where(); got != "/sign-in?next=%2F" {
		t.Fatalf("a stranger is at %s", got)
	}
	b.open(strings.TrimPrefix(s.link, s.base))
	b.follow("main button")
	if got := b.text("h1"); got != "The library" {
		t.Fatalf("signed in, the page is %q at %s", got, b.where())
	}

	b.follow(`.nothing a[href="/add"]`)
	b.choose("input[name=film]", film(t, "short.mp4"))
	b.fill("input[name=title]", "Added by a plain form")
	b.follow("main .acts button")
	if got := b.text("h1"); got != "Added by a plain form" {
		t.Fatalf("after adding: %q\n%s", got, b.text("main"))
	}
	id := strings.TrimPrefix(strings.Split(b.where(), "?")[0], "/cases/")
	await(t, "the film to be ready", func() bool { b.open("/cases/" + id + "?t=7.5"); return b.has("video") })

	b.follow("a[data-now]")
	b.follow(`.kinds a[href*="kind=teaching-point"]`)
	b.fill("#from", "00:07.5")
	b.fill("#words", "keep the tip still, gorsewillow")
	b.follow("form.sheet .acts button")
	if got := b.text(`.entry[data-from="7.5"]`); !strings.Contains(got, "gorsewillow") {
		t.Errorf("the running record has %q", got)
	}
	b.follow(`.entry[data-from="7.5"] a.t`)
	if got := b.where(); !strings.Contains(got, "t=7.5") {
		t.Errorf("a second of the record leads to %s", got)
	}

	await(t, "the words to be found", func() bool {
		b.open("/")
		b.fill("#q", "gorsewillow")
		b.follow(".ask-line button")
		return b.has(`.cases a[href^="/cases/` + id + `"]`)
	})
	b.click(`input[name="status"]`)
	b.follow(".facet-acts button")
	if got := b.where(); !strings.Contains(got, "status=draft") || !b.has(".case") {
		t.Errorf("narrowed to drafts one is at %s:\n%s", got, b.text("#results"))
	}

	b.open("/cases/" + id)
	b.follow(`.head a[href$="/details"]`)
	b.fill(`[name="title"]`, "Renamed by a plain form")
	b.follow("form.sheet .acts button")
	if got := b.text("h1"); got != "Renamed by a plain form" {
		t.Errorf("after the details: %q\n%s", got, b.text("main"))
	}
	b.follow(".who button")
	if got := b.where(); got != "/sign-in" {
		t.Errorf("signed out, one is at %s", got)
	}
}

// has says whether the page has such an element.
func (b *tab) has(selector string) bool {
	b.Helper()
	return eval[bool](b, `document.querySelector(`+quote(selector)+`) !== null`)
}
