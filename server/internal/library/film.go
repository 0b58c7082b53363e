package library

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"path/filepath"
	"slices"
	"strings"

	"sideport/annotate"
)

// PrepareJob is the kind of job that makes what is shown of a recording.
const PrepareJob = "prepare"

// prepareArgs says which recording to prepare.
type prepareArgs struct {
	Case      string `json:"case"`
	Recording string `json:"recording"`
}

func (l *Library) queuePrepare(ctx context.Context, caseID, recording string) error {
	_, err := l.Jobs.Add(ctx, PrepareJob, caseID+"/"+recording, prepareArgs{caseID, recording})
	return err
}

// DoPrepare makes the served copy, the poster and the stage stills of a
// recording, as far as they are not there. It is the handler of [PrepareJob].
func (l *Library) DoPrepare(ctx context.Context, args json.RawMessage, progress func(float64)) error {
	var a prepareArgs
	if err := json.Unmarshal(args, &a); err != nil {
		return fmt.Errorf("read the job's arguments: %w", err)
	}
	end, err := l.begin(ctx, a.Case, a.Recording, true)
	if err != nil {
		return err
	}
	defer end()
	err = l.prepare(ctx, a.Case, a.Recording, progress)
	if annotate.CauseOf(err) == annotate.Missing {
		return nil // the case went while the job waited
	}
	return err
}

// begin keeps a recording from being prepared twice at once. Whoever does not
// want to wait is told that it is being done.
func (l *Library) begin(ctx context.Context, caseID, recording string, wait bool) (end func(), err error) {
	v, _ := l.preparing.LoadOrStore(caseID+"/"+recording, make(chan struct{}, 1))
	place := v.(chan struct{})
	select {
	case place <- struct{}{}:
		return func() { <-place }, nil
	default:
	}
	if !wait {
		return nil, notReady(annotate.Prepared{})
	}
	select {
	case place <- struct{}{}:
		return func() { <-place }, nil
	case <-ctx.Done():
		return nil, ctx.Err()
	}
}

// prepare does what [Library.DoPrepare] says, and enters how far it is.
func (l *Library) prepare(ctx context.Context, caseID, recording string, progress func(float64)) error {
	c, err := l.Shelf.Case(ctx, caseID)
	if err != nil {
		return err
	}
	rec, ok := c.Recording(recording)
	if !ok {
		return annotate.Faultf(annotate.Missing, "There is no recording %s in case %s.", recording, caseID)
	}
	all, err := l.Shelf.Prepared(ctx, caseID)
	if err != nil {
		return err
	}
	had := all[rec.ID]
	p := had
	p.State, p.Say, p.Done = "working", "", 0
	if err := l.Shelf.SetPrepared(ctx, caseID, rec.ID, p); err != nil {
		return err
	}
	p, err = l.fill(ctx, c, rec, p, l.entering(ctx, caseID, rec.ID, p, progress))
	fault, ok := errors.AsType[*annotate.Fault](err)
	switch {
	case err == nil:
		p.State = "ready"
	case ctx.Err() != nil:
		p.State = "waiting"
	case ok:
		p.State, p.Say = "failed", fault.Say
	default:
		p.State, p.Say = "failed", "The original is kept; ask whoever looks after this library to look at its log."
	}
	return errors.Join(err, l.settle(ctx, caseID, rec.ID, had, p))
}

// entering enters each twentieth of the way, for the page that waits.
func (l *Library) entering(ctx context.Context, caseID, recording string, p annotate.Prepared, progress func(float64)) func(float64) {
	return func(done float64) {
		progress(done)
		if done < p.Done+0.05 {
			return
		}
		p.Done = done
		if err := l.Shelf.SetPrepared(ctx, caseID, recording, p); err != nil && ctx.Err() == nil {
			l.Log.WarnContext(ctx, "progress not entered", "case", caseID, "err", err)
		}
	}
}

// settle enters what was made and lets go of what it takes the place of, or of
// all of it where the case went meanwhile. What another case that has just gone
// took along is made again.
func (l *Library) settle(ctx context.Context, caseID, recording string, had, p annotate.Prepared) error {
	ctx = context.WithoutCancel(ctx)
	l.adding.Lock()
	defer l.adding.Unlock()
	var again error
	now := derived(p)
	for h := range now {
		if !l.have(h) && p.State == "ready" {
			p.State, again = "waiting", notReady(annotate.Prepared{})
		}
	}
	err := l.Shelf.SetPrepared(ctx, caseID, recording, p)
	loose := derived(had)
	if annotate.CauseOf(err) == annotate.Missing {
		maps.Copy(loose, now)
		now = nil
	}
	for h := range loose {
		if !now[h] && l.have(h) {
			l.release(ctx, h)
		}
	}
	return errors.Join(err, again)
}

// fill makes what p lacks. Poster and stills come from the served copy:
// it is the cleaner and often the quicker one to seek in.
func (l *Library) fill(ctx context.Context, c annotate.Case, rec annotate.Recording, p annotate.Prepared, progress func(float64)) (annotate.Prepared, error) {
	dir, remove, err := l.Files.Scratch()
	if err != nil {
		return p, err
	}
	defer remove()
	if !l.have(p.Play) {
		original, err := l.Files.Path(rec.Hash)
		if err != nil {
			return p, err
		}
		out := filepath.Join(dir, "play")
		if p.Type, err = l.Media.Prepare(ctx, original, rec.Film, out, progress); err != nil {
			return p, err
		}
		if p.Play, _, err = l.Files.Adopt(ctx, out); err != nil {
			return p, err
		}
	}
	play, err := l.Files.Path(p.Play)
	if err != nil {
		return p, err
	}
	if !l.have(p.Poster) {
		out := filepath.Join(dir, "poster.jpg")
		if err := l.Media.Poster(ctx, play, rec.Film, out); err != nil {
			return p, err
		}
		if p.Poster, _, err = l.Files.Adopt(ctx, out); err != nil {
			return p, err
		}
	}
	p.Stills, err = l.stageStills(ctx, c, rec, p.Stills, play, dir)
	return p, err
}

func (l *Library) have(hash string) bool {
	if hash == "" {
		return false
	}
	_, err := l.Files.Path(hash)
	return err == nil
}

// stillKey names the still of a stage as it now stands: when its span moves,
// so does its still.
func stillKey(n annotate.Note) string {
	return fmt.Sprintf("%s@%d", n.ID, (n.Span.From+n.Span.To)/2/annotate.Millisecond)
}

// stageStills takes a frame from the middle of each stage that has none yet.
func (l *Library) stageStills(ctx context.Context, c annotate.Case, rec annotate.Recording, had map[string]string, play, dir string) (map[string]string, error) {
	out := map[string]string{}
	var keys []string
	var at []annotate.Time
	for _, n := range c.OfKind("stage") {
		if !inRecording(c, n, rec.ID) {
			continue
		}
		key := stillKey(n)
		if l.have(had[key]) {
			out[key] = had[key]
			continue
		}
		keys, at = append(keys, key), append(at, (n.Span.From+n.Span.To)/2-rec.Offset)
	}
	if len(at) == 0 {
		return out, nil
	}
	files, err := l.Media.Stills(ctx, play, at, dir)
	if err != nil {
		return had, err
	}
	for i, f := range files {
		if out[keys[i]], _, err = l.Files.Adopt(ctx, f); err != nil {
			return had, err
		}
	}
	return out, nil
}

// inRecording says whether a note is seen in a recording of the case.
func inRecording(c annotate.Case, n annotate.Note, recording string) bool {
	r, ok := c.Recording(n.Recording)
	return ok && r.ID == recording
}

// stillsMissing says whether a stage of the recording has no still yet.
func stillsMissing(c annotate.Case, recording string, p annotate.Prepared) bool {
	return slices.ContainsFunc(c.OfKind("stage"), func(n annotate.Note) bool {
		return inRecording(c, n, recording) && p.Stills[stillKey(n)] == ""
	})
}

// PrepareMissing queues every recording that is not ready: after a crash, a
// restore, or additions made while no server ran.
func (l *Library) PrepareMissing(ctx context.Context) error {
	return l.Shelf.EachCase(ctx, func(c annotate.Case) error {
		all, err := l.Shelf.Prepared(ctx, c.ID)
		if err != nil {
			return err
		}
		for _, r := range c.Recordings {
			if !l.lacking(c, r.ID, all[r.ID]) {
				continue
			}
			if err := l.queuePrepare(ctx, c.ID, r.ID); err != nil {
				return err
			}
		}
		return nil
	})
}

// lacking says whether preparing a recording would bring anything. What failed
// would fail again.
func (l *Library) lacking(c annotate.Case, recording string, p annotate.Prepared) bool {
	if p.State == "failed" {
		return false
	}
	if p.State != "ready" || stillsMissing(c, recording, p) {
		return true
	}
	for h := range derived(p) {
		if !l.have(h) {
			return true
		}
	}
	return false
}

// derived are the files that were made from a recording.
func derived(p annotate.Prepared) map[string]bool {
	out := map[string]bool{p.Play: true, p.Poster: true}
	for _, h := range p.Stills {
		out[h] = true
	}
	delete(out, "")
	return out
}

// hashes are the files that a case and what was prepared of it stand on.
func hashes(c annotate.Case, made map[string]annotate.Prepared) (originals, others map[string]bool) {
	originals, others = map[string]bool{}, map[string]bool{}
	for _, r := range c.Recordings {
		originals[r.Hash] = true
	}
	for _, s := range c.Stills {
		originals[s.Hash] = true
	}
	for _, p := range made {
		maps.Copy(others, derived(p))
	}
	return originals, others
}

// short is a hash as people quote it.
func short(hash string) string { return strings.ToLower(hash[:min(12, len(hash))]) }
