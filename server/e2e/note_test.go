package e2e

import (
	"fmt"
	"net/url"
	"strings"
	"testing"
)

const noteCase = `title: A case to write in
discretion: false
recordings: [{file: short.mp4}]
notes:
  - {kind: stage, concept: capsulorhexis, from: 2, to: 8}
  - {kind: remark, at: 9, words: already here}
consent: {audience: own unit, obtained: 2026-03-01}
status: published
`

// caseToWrite adds a case of its own to the common library.
func caseToWrite(t *testing.T) (*common, string) {
	t.Helper()
	s := shared(t)
	id := must(t, s.data, "add", folder(t, noteCase, []string{"short.mp4"}))
	s.filmReady(t, id)
	return s, id
}

// tabTo presses Tab until the focus is where a selector says.
func (b *tab) tabTo(selector string) {
	b.Helper()
	for range 120 {
		b.keys(keyTab)
		if eval[bool](b, fmt.Sprintf(`document.activeElement.matches(%s)`, quote(selector))) {
			return
		}
	}
	b.Fatalf("Tab does not lead to %s at %s", selector, b.where())
}

// A note comes into being, changes and goes without a pointer.
func TestANoteByTheKeyboardAlone(t *testing.T) {
	s, id := caseToWrite(t)
	b := newTab(t, s.server)
	b.open("/cases/" + id + "?t=12.5")
	b.at(12.5)
	b.tabTo("a[data-now]")
	b.enter()
	b.tabTo(`.kinds a[href*="kind=remark"]`)
	b.enter()
	if got := eval[string](b, `document.querySelector('#from').value`); got != "00:12.5" {
		t.Errorf("the form stands at %q, the film stood at 12.5", got)
	}
	b.tabTo("#words")
	b.keys("the pupil snaps like a brindlemoth")
	b.tabTo("form.sheet .acts button")
	b.enter()
	if got := b.text(".notice"); got != "The note is kept." {
		t.Errorf("the notice is %q", got)
	}
	entry := `.entry[data-from="12.5"]`
	if got := b.text(entry); !strings.Contains(got, "00:12") || !strings.Contains(got, "brindlemoth") {
		t.Errorf("the running record has %q there", got)
	}
	b.at(12.5)
	b.found("brindlemoth", id)

	b.tabTo(entry + " .change")
	b.enter()
	b.tabTo("#words")
	b.keys(keyEnd)
	b.keys(" and a tawnysilt")
	b.tabTo("form.sheet .acts button")
	b.enter()
	if got := b.text(entry); !strings.Contains(got, "brindlemoth and a tawnysilt") {
		t.Errorf("after the change the running record has %q", got)
	}
	b.found("tawnysilt", id)

	b.tabTo(entry + " .change")
	b.enter()
	b.tabTo("a.away")
	b.enter()
	if got := b.text("main"); !strings.Contains(got, "will be removed") {
		t.Errorf("removing asks nothing: %q", got)
	}
	b.tabTo("form.sheet .acts button")
	b.enter()
	if got := b.text(".notice"); got != "The note is removed." {
		t.Errorf("the notice is %q", got)
	}
	if got := b.text("#running-record"); strings.Contains(got, "brindlemoth") {
		t.Errorf("the note is still there: %q", got)
	}
	await(t, "the note to leave the search", func() bool { b.open("/?q=tawnysilt"); return strings.Contains(b.text("#results"), "Nothing found") })
	if ps := b.trouble(); len(ps) > 0 {
		t.Errorf("the browser complained: %v", ps)
	}
}

// found searches on the page until the case is there.
func (b *tab) found(word, id string) {
	b.Helper()
	back := b.where()
	await(b.T, word+" to be found", func() bool {
		b.open("/?q=" + url.QueryEscape(word))
		return eval[bool](b, fmt.Sprintf(`document.querySelector('.cases a[href^="/cases/%s"]') !== null`, id))
	})
	b.open(back)
}

// What is wrong is said beside its field, and nothing typed is lost.
func TestMistakesAreSaidBesideTheField(t *testing.T) {
	s, id := caseToWrite(t)
	for _, c := range []struct {
		name, kind string
		fill       map[string]string // by id
		field, say string            // "": the form as a whole
	}{
		{"a time that is none", "remark", map[string]string{"from": "soonish", "words": "x"}, "from", "soonish"},
		{"an end before the beginning", "remark", map[string]string{"from": "00:10", "to": "00:05", "words": "x"}, "to", ""},
		{"beyond the film", "remark", map[string]string{"from": "09:59", "words": "x"}, "from", ""},
		{"stages that overlap", "stage", map[string]string{"from": "00:04", "to": "00:06", "concept": "hydrodissection"}, "from", "before the one"},
		{"a unit that nobody knows", "setting", map[string]string{"from": "00:04", "field-values": "vacuum 350 furlongs"}, "field-values", "furlongs"},
		{"a term that means several things", "remark", map[string]string{"from": "00:04", "concept": "ring", "words": "x"}, "concept", "ring"},
	} {
		t.Run(c.name, func(t *testing.T) {
			b := newTab(t, s.server)
			b.open("/cases/" + id + "/notes/new?kind=" + c.kind)
			for field, words := range c.fill {
				b.fill("#"+field, words)
			}
			if got := b.follow("form.sheet .acts button"); got != 422 {
				t.Fatalf("answered %d at %s\n%s", got, b.where(), b.text("main"))
			}
			if got := b.text("[role=alert]"); !strings.Contains(got, "Not kept yet") {
				t.Errorf("no summary: %q", got)
			}
			say := b.text("#" + c.field + "-problems")
			if say == "" || !strings.Contains(say, c.say) {
				t.Errorf("beside %s stands %q\n%s", c.field, say, b.text("main"))
			}
			if !eval[bool](b, fmt.Sprintf(`(e => e.getAttribute('aria-invalid') === 'true' && e.getAttribute('aria-describedby').includes('%s-problems'))(document.querySelector('#%[1]s'))`, c.field)) {
				t.Errorf("%s is not tied to what is said of it", c.field)
			}
			for field, words := range c.fill {
				if got := eval[string](b, fmt.Sprintf(`document.querySelector('#%s').value`, field)); got != words {
					t.Errorf("%s was %q and is %q", field, words, got)
				}
			}
		})
	}
}

// Two people change the same note: the second is told, and the first one's words stay.
func TestTheSecondToChangeANoteIsTold(t *testing.T) {
	s, id := caseToWrite(t)
	one, two := newTab(t, s.server), newTab(t, s.server)
	for _, b := range []*tab{one, two} {
		b.open("/cases/" + id)
		b.follow(`.entry[data-from="9"] .change`)
	}
	one.fill("#words", "first come")
	one.follow("form.sheet .acts button")
	two.fill("#words", "second come")
	if got := two.follow("form.sheet .acts button"); got != 422 && got != 409 {
		t.Errorf("the second change answered %d", got)
	}
	if got := two.text("[role=alert]"); !strings.Contains(got, "Somebody else changed this") {
		t.Errorf("the second is told %q", two.text("main"))
	}
	if got := eval[string](two, `document.querySelector('#words').value`); got != "second come" {
		t.Errorf("the second one's words are lost: %q", got)
	}
	// Sending the same page once more must not carry it through either.
	two.follow("form.sheet .acts button")
	two.open("/cases/" + id)
	if got := two.text("#running-record"); !strings.Contains(got, "first come") || strings.Contains(got, "second come") {
		t.Errorf("the record says %q", got)
	}
}
