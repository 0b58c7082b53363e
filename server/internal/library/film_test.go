package library

import (
	"context"
	"encoding/json"
	"errors"
	"io"
	"slices"
	"testing"

	"sideport/annotate"
)

func (w *world) read(t *testing.T, open func() (Served, error)) string {
	t.Helper()
	f, err := open()
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	b, err := io.ReadAll(f)
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

func (w *world) stage(t *testing.T, id string, note int) string {
	t.Helper()
	r, err := w.Case(t.Context(), curator, id)
	if err != nil {
		t.Fatal(err)
	}
	c := r.Case()
	n := c.OfKind("stage")[note].ID
	return w.read(t, func() (Served, error) { return w.StageStill(t.Context(), r, "r1", n) })
}

func TestStageStillsFollowTheirStage(t *testing.T) {
	w := newWorld(t)
	id := w.mustAdd(t, "case.yaml", oneFilm, "a.mp4", "film")
	w.work(t)
	if err := w.CatchUp(t.Context()); err != nil {
		t.Fatal(err)
	}
	if got := w.stage(t, id, 0); got != "00:02 of film: copy of film" {
		t.Errorf("still of 1 s to 3 s is %q", got)
	}
	n := w.cases[id].Notes[0]
	n.Span = annotate.Span{From: 10 * annotate.Second, To: 20 * annotate.Second}
	if _, _, err := w.PutNote(t.Context(), curator, id, n, n.Rev); err != nil {
		t.Fatal(err)
	}
	if err := w.CatchUp(t.Context()); err != nil {
		t.Fatal(err)
	}
	if !slices.Equal(w.jobs, []string{id + "/r1"}) {
		t.Fatalf("queued %q after the stage moved", w.jobs)
	}
	w.work(t)
	if got := w.stage(t, id, 0); got != "00:15 of film: copy of film" {
		t.Errorf("still of 10 s to 20 s is %q", got)
	}
	w.nothingLeft(t) // the still of the old place has gone
	calls := len(w.calls)
	if err := w.PrepareMissing(t.Context()); err != nil || len(w.jobs) > 0 {
		t.Errorf("all is there, yet %q are queued, %v, %q", w.jobs, err, w.calls[calls:])
	}
}

func TestServedFilesNeedTheirRelease(t *testing.T) {
	w := newWorld(t)
	id := w.mustAdd(t, "case.yaml", twoFilms, "a.mp4", "film a", "b.mp4", "film b", "a.vtt", vtt, "day1.jpg", "photo")
	r, err := w.Case(t.Context(), curator, id)
	if err != nil {
		t.Fatal(err)
	}
	ctx := t.Context()
	stage := r.Case().Notes[0].ID
	if _, err := w.Film(ctx, r, "r1"); annotate.CauseOf(err) != annotate.Busy {
		t.Errorf("a film not prepared yet: %v", err)
	}
	w.work(t)
	for name, open := range map[string]func() (Served, error){
		"film": func() (Served, error) { return w.Film(ctx, r, "r2") }, "poster": func() (Served, error) { return w.Poster(ctx, r, "r1") },
		"stage": func() (Served, error) { return w.StageStill(ctx, r, "r1", stage) }, "still": func() (Served, error) { return w.Still(ctx, r, r.Case().Stills[0].ID) },
	} {
		if w.read(t, open) == "" {
			t.Errorf("%s is empty", name)
		}
	}
	for name, open := range map[string]func() (Served, error){
		"no recording":        func() (Served, error) { return w.Film(ctx, r, "r3") },
		"no still":            func() (Served, error) { return w.Still(ctx, r, "s9") },
		"no stage":            func() (Served, error) { return w.StageStill(ctx, r, "r1", "n9") },
		"another's stage":     func() (Served, error) { return w.StageStill(ctx, r, "r2", stage) },
		"an empty release":    func() (Served, error) { return w.Film(ctx, emptyRelease, "r1") },
		"a still of no case":  func() (Served, error) { return w.Still(ctx, emptyRelease, "s1") },
		"a poster of no case": func() (Served, error) { return w.Poster(ctx, emptyRelease, "") },
	} {
		if _, err := open(); annotate.CauseOf(err) != annotate.Missing {
			t.Errorf("%s: %v", name, err)
		}
	}
}

func TestPreparingThatFails(t *testing.T) {
	for _, tt := range []struct {
		name, call string
		err        error
		state, say string
	}{
		{"our fault", "Prepare", errDisk, "failed", "The original is kept; ask whoever looks after this library to look at its log."},
		{"the film's", "Prepare", annotate.Faultf(annotate.Invalid, "The film ends in the middle."), "failed", "The film ends in the middle."},
		{"poster", "Poster", errDisk, "failed", "The original is kept; ask whoever looks after this library to look at its log."},
		{"stills", "Stills", errDisk, "failed", "The original is kept; ask whoever looks after this library to look at its log."},
		{"stopped", "Poster", context.Canceled, "waiting", ""},
	} {
		t.Run(tt.name, func(t *testing.T) {
			w := newWorld(t)
			id := w.mustAdd(t, "case.yaml", oneFilm, "a.mp4", "film")
			ctx, stop := context.WithCancel(t.Context())
			defer stop()
			w.fail = func(n int) error {
				if w.calls[n] != tt.call {
					return nil
				}
				if errors.Is(tt.err, context.Canceled) {
					stop()
				}
				return tt.err
			}
			err := w.DoPrepare(ctx, json.RawMessage(`{"case":"`+id+`","recording":"r1"}`), func(float64) {})
			p := w.prepared[id]["r1"]
			if !errors.Is(err, tt.err) || p.State != tt.state || p.Say != tt.say || p.Done != 0 {
				t.Errorf("got %v and %+v, want %s %q", err, p, tt.state, tt.say)
			}
			w.nothingLeft(t) // what was made is entered, and goes on from there
			w.fail, w.jobs = nil, nil
			r, err := w.Case(t.Context(), curator, id)
			if err != nil {
				t.Fatal(err)
			}
			if told, err := w.Prepared(t.Context(), r); err != nil || told["r1"].State == "ready" && !w.have(p.Play) {
				t.Errorf("people are told %+v, %v", told["r1"], err)
			}
			if err := w.PrepareMissing(t.Context()); err != nil || (len(w.jobs) == 1) != (tt.state == "waiting") {
				t.Errorf("queued %q, %v; what failed would fail again", w.jobs, err)
			}
		})
	}
}

// A case that goes while its film is prepared leaves nothing.
func TestACaseThatGoesWhileItsFilmIsPrepared(t *testing.T) {
	for _, at := range []string{"Prepare", "Poster", "Stills"} {
		t.Run(at, func(t *testing.T) {
			w := newWorld(t)
			id := w.mustAdd(t, "case.yaml", oneFilm, "a.mp4", "film")
			w.hook[at] = func() {
				if err := w.DropCase(t.Context(), curator, id, 0); err != nil {
					t.Error(err)
				}
			}
			// The original goes too: whether that is noticed depends on how far the film was.
			_ = w.DoPrepare(t.Context(), json.RawMessage(`{"case":"`+id+`","recording":"r1"}`), func(float64) {})
			w.nothingLeft(t)
		})
	}
}

// The copy that one case has just let go of is made again for the other.
func TestACopyThatGoesWithAnotherCase(t *testing.T) {
	w := newWorld(t)
	a := w.mustAdd(t, "case.yaml", oneFilm, "a.mp4", "film")
	w.work(t)
	b := w.mustAdd(t, "case.yaml", oneFilm, "a.mp4", "film")
	w.hook["Stills"] = func() {
		if err := w.DropCase(t.Context(), curator, a, 0); err != nil {
			t.Error(err)
		}
	}
	args := json.RawMessage(`{"case":"` + b + `","recording":"r1"}`)
	err := w.DoPrepare(t.Context(), args, func(float64) {})
	clear(w.hook)
	if err != nil { // the queue tries again
		err = w.DoPrepare(t.Context(), args, func(float64) {})
	}
	if p := w.prepared[b]["r1"]; err != nil || p.State != "ready" {
		t.Errorf("it is %+v, %v", p, err)
	}
	w.nothingLeft(t)
}

func TestProgressIsEnteredNowAndThen(t *testing.T) {
	w := newWorld(t)
	id := w.mustAdd(t, "case.yaml", oneFilm, "a.mp4", "film")
	told := 0
	if err := w.DoPrepare(t.Context(), json.RawMessage(`{"case":"`+id+`","recording":"r1"}`), func(float64) { told++ }); err != nil {
		t.Fatal(err)
	}
	entered := 0
	for _, c := range w.calls {
		if c == "SetPrepared" {
			entered++
		}
	}
	if told != 100 || entered < 10 || entered > 25 {
		t.Errorf("told %d times, entered %d times", told, entered)
	}
}

func TestPrepareMissing(t *testing.T) {
	w := newWorld(t)
	id := w.mustAdd(t, "case.yaml", oneFilm, "a.mp4", "film")
	w.work(t)
	for name, spoil := range map[string]func(p *annotate.Prepared){
		"never begun":       func(p *annotate.Prepared) { *p = annotate.Prepared{} },
		"stopped by a kill": func(p *annotate.Prepared) { p.State = "working" },
		"copy gone":         func(p *annotate.Prepared) { p.Play = "00" },
		"poster gone":       func(p *annotate.Prepared) { p.Poster = "00" },
		"still never made":  func(p *annotate.Prepared) { p.Stills = nil },
	} {
		t.Run(name, func(t *testing.T) {
			good := w.prepared[id]["r1"]
			p := clone(good)
			spoil(&p)
			w.prepared[id]["r1"] = p
			r, err := w.Case(t.Context(), curator, id)
			if err != nil {
				t.Fatal(err)
			}
			if told, err := w.Prepared(t.Context(), r); err != nil || told["r1"].State == "ready" && !w.have(p.Play) {
				t.Errorf("people are told %+v, %v", told["r1"], err)
			}
			if err := w.PrepareMissing(t.Context()); err != nil || !slices.Equal(w.jobs, []string{id + "/r1"}) {
				t.Fatalf("queued %q, %v", w.jobs, err)
			}
			w.work(t)
			if got := w.prepared[id]["r1"]; got.State != "ready" || got.Play != good.Play || got.Poster != good.Poster || len(got.Stills) != 1 {
				t.Errorf("made %+v, want %+v", got, good)
			}
			w.nothingLeft(t)
		})
	}
	if err := w.DoPrepare(t.Context(), json.RawMessage(`{"case":"none","recording":"r1"}`), func(float64) {}); err != nil {
		t.Errorf("a case that went while the job waited: %v", err)
	}
	if err := w.DoPrepare(t.Context(), json.RawMessage(`{`), func(float64) {}); err == nil {
		t.Error("arguments that cannot be read are no error")
	}
}
