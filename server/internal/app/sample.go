package app

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"sync/atomic"

	"sideport/annotate/casefile"
	"sideport/annotate/consent"
	"sideport/sample"
	"sideport/server/internal/media"
)

// sampleShelf remembers which sample cases have been made, so that one that
// somebody removed does not come back.
const sampleShelf = "sample"

// begun marks a library that the sample is being made in.
const begun = "begun"

// pens is how many sample cases are drawn at once.
const pens = 2

// makeSample fills an empty library with the sample cases, drawing their films,
// and goes on where an earlier start was stopped. It calls ready when there is
// something to see: the rest is made while people look.
func (a *App) makeSample(ctx context.Context, out io.Writer, ready func()) error {
	defer ready()
	todo, err := a.sampleToDo(ctx)
	if err != nil || len(todo) == 0 {
		return err
	}
	if err := a.store.Keep(ctx, sampleShelf, begun, []byte(`true`)); err != nil {
		return err
	}
	if n, err := a.store.Count(ctx); err != nil {
		return err
	} else if n > 0 {
		ready() // an earlier start has made some
	}
	bar := newBar(out, "Making the sample library", len(todo))
	defer bar.end()
	next := make(chan sample.Case)
	errs := make(chan error, pens)
	var all sync.WaitGroup
	var made atomic.Int32
	for range pens {
		all.Go(func() {
			for s := range next {
				if err := a.makeOne(ctx, s, bar.part(s.Name)); err != nil {
					errs <- fmt.Errorf("make the sample case %s: %w", s.Name, err)
					return
				}
				if made.Add(1) == pens {
					ready()
				}
			}
			errs <- nil
		})
	}
	err = feed(ctx, todo, next, errs)
	all.Wait()
	return err
}

// feed hands the cases out until all are taken and made, or one fails.
func feed(ctx context.Context, todo []sample.Case, next chan<- sample.Case, errs <-chan error) error {
	defer func() {
		if next != nil {
			close(next)
		}
	}()
	for _, s := range todo {
		select {
		case next <- s:
		case err := <-errs:
			return err
		case <-ctx.Done():
			return ctx.Err()
		}
	}
	close(next)
	next = nil
	return errors.Join(<-errs, <-errs)
}

func (a *App) sampleToDo(ctx context.Context) ([]sample.Case, error) {
	made := map[string]bool{}
	if err := a.store.Each(ctx, sampleShelf, func(key string, _ []byte) error { made[key] = true; return nil }); err != nil {
		return nil, err
	}
	n, err := a.store.Count(ctx)
	if err != nil || n > 0 && !made[begun] {
		return nil, err
	}
	var todo []sample.Case
	for _, s := range sample.Cases() {
		if !made[s.Name] {
			todo = append(todo, s)
		}
	}
	slices.Reverse(todo) // the case that the README searches for is among the last two
	return todo, nil
}

// makeOne writes a sample case as the folder that a user would have, and adds
// it the way that a user would.
func (a *App) makeOne(ctx context.Context, s sample.Case, progress func(float64)) error {
	dir, remove, err := a.vault.Scratch()
	if err != nil {
		return sayFull(err)
	}
	defer remove()
	if err := os.CopyFS(dir, s.Files); err != nil {
		return err
	}
	data, err := fs.ReadFile(s.Files, casefile.Name)
	if err != nil {
		return err
	}
	doc, err := casefile.Parse(casefile.Name, data, a.library.Vocabulary)
	if err != nil {
		return err
	}
	for name, photo := range sample.Photos(doc.Case) {
		if err := os.WriteFile(filepath.Join(dir, name), photo, 0o600); err != nil {
			return err
		}
	}
	film := sample.Draw(doc.Case, s.Length)
	drawing := media.Drawing{Width: film.Width, Height: film.Height, Rate: film.Rate, Frames: int(film.Count()), PixelFormat: "yuv420p"}
	if err := a.media.Encode(ctx, drawing, film.Frames(ctx), filepath.Join(dir, "film.mp4"), progress); err != nil {
		return err
	}
	_, err = a.library.AddFolder(ctx, consent.Viewer{Account: "sample", Role: consent.Steward}, dir)
	if err != nil {
		return err
	}
	progress(1)
	return a.store.Keep(ctx, sampleShelf, s.Name, []byte(`true`))
}

// bar draws progress over one line of a terminal; elsewhere each case that is
// done gets a line.
type bar struct {
	mu    sync.Mutex
	out   io.Writer
	tty   bool
	title string
	parts int
	done  map[string]float64
	shown int
}

func newBar(out io.Writer, title string, parts int) *bar {
	b := &bar{out: out, tty: terminal(out), title: title, parts: parts, done: map[string]float64{}, shown: -1}
	b.draw("")
	return b
}

// part gives the function that tells how far one part is.
func (b *bar) part(name string) func(float64) {
	return func(f float64) {
		b.mu.Lock()
		defer b.mu.Unlock()
		before := b.done[name]
		b.done[name] = max(before, min(f, 1))
		if b.tty {
			b.draw("")
		} else if before < 1 && f >= 1 {
			b.draw(name)
		}
	}
}

func (b *bar) draw(name string) {
	sum := 0.0
	for _, f := range b.done {
		sum += f
	}
	share := sum / float64(b.parts)
	percent := int(100 * share)
	switch {
	case b.tty && percent != b.shown:
		const width = 32
		full := int(share * width)
		fmt.Fprintf(b.out, "\r%s  %s%s  %3d %%", b.title, strings.Repeat("▪", full), strings.Repeat("·", width-full), percent)
	case !b.tty && name == "" && b.shown < 0:
		fmt.Fprintf(b.out, "%s …\n", b.title)
	case !b.tty && name != "":
		fmt.Fprintf(b.out, "  %3d %%  %s\n", percent, name)
	}
	b.shown = percent
}

func (b *bar) end() {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.tty {
		fmt.Fprintln(b.out)
	}
}
