package library

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"path/filepath"
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
	err := l.prepare(ctx, a.Case, a.Recording, progress)
	if annotate.CauseOf(err) == annotate.Missing {
		return nil // the case went while the job waited
	}
	return err
}

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
	p := all[rec.ID]
	p.State = "working"
	if err := l.Shelf.SetPrepared(ctx, caseID, rec.ID, p); err != nil {
		return err
	}
	p, err = l.make(ctx, c, rec, p, progress)
	if err != nil {
		p.State, p.Say = "failed", "The original is kept; ask whoever looks after this library to look at its log."
		if fault, ok := errors.AsType[*annotate.Fault](err); ok {
			p.Say = fault.Say
		}
		if ctx.Err() != nil {
			p.State, p.Say = "waiting", ""
		}
	} else {
		p.State, p.Say = "ready", ""
	}
	return errors.Join(err, l.Shelf.SetPrepared(context.WithoutCancel(ctx), caseID, rec.ID, p))
}

// make fills in what p lacks. Poster and stills come from the served copy:
// it is the cleaner and often the quicker one to seek in.
func (l *Library) make(ctx context.Context, c annotate.Case, rec annotate.Recording, p annotate.Prepared, progress func(float64)) (annotate.Prepared, error) {
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
		if r, ok := c.Recording(n.Recording); !ok || r.ID != rec.ID {
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

// stillsMissing says whether a stage of the case has no still yet.
func (l *Library) stillsMissing(ctx context.Context, c annotate.Case, recording string) bool {
	all, err := l.Shelf.Prepared(ctx, c.ID)
	if err != nil {
		return false
	}
	for _, n := range c.OfKind("stage") {
		if r, ok := c.Recording(n.Recording); ok && r.ID == recording && all[recording].Stills[stillKey(n)] == "" {
			return true
		}
	}
	return false
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
			if p := all[r.ID]; p.State != "ready" && p.State != "failed" || p.State == "ready" && !l.have(p.Play) {
				if err := l.queuePrepare(ctx, c.ID, r.ID); err != nil {
					return err
				}
			}
		}
		return nil
	})
}

// hashes are the files that a case and what was prepared of it stand on.
func hashes(c annotate.Case, made map[string]annotate.Prepared) (originals, derived map[string]bool) {
	originals, derived = map[string]bool{}, map[string]bool{}
	for _, r := range c.Recordings {
		originals[r.Hash] = true
	}
	for _, s := range c.Stills {
		originals[s.Hash] = true
	}
	for _, p := range made {
		for h := range maps.Values(p.Stills) {
			derived[h] = true
		}
		derived[p.Play], derived[p.Poster] = true, true
	}
	delete(derived, "")
	return originals, derived
}

// short is a hash as people quote it.
func short(hash string) string { return strings.ToLower(hash[:min(12, len(hash))]) }
