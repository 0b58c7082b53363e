// Package library is what people do with Sideport: bring in a case, mark it,
// find it, show it, take it away again. Pages, the JSON API and the commands all
// call it, so that they cannot differ.
//
// It must not know about HTTP, bbolt, ffmpeg's arguments or where files lie:
// the small interfaces below say what it needs of those who do.
package library

import (
	"context"
	"errors"
	"io/fs"
	"log/slog"
	"os"
	"sync"

	"sideport/annotate"
	"sideport/annotate/consent"
	"sideport/annotate/terms"
	"sideport/index"
)

// Shelf keeps cases and their changes.
type Shelf interface {
	Apply(ctx context.Context, by string, e annotate.Edit) (annotate.Change, error)
	Case(ctx context.Context, id string) (annotate.Case, error)
	EachCase(ctx context.Context, fn func(annotate.Case) error) error
	Count(ctx context.Context) (int, error)
	Changes(ctx context.Context, after uint64, limit int) ([]annotate.Change, error)
	LastSeq(ctx context.Context) (uint64, error)
	Uses(ctx context.Context, hash string) (bool, error)
	Prepared(ctx context.Context, caseID string) (map[string]annotate.Prepared, error)
	SetPrepared(ctx context.Context, caseID, recording string, p annotate.Prepared) error
	EachPrepared(ctx context.Context, fn func(caseID, recording string, p annotate.Prepared) error) error
	Watch(ctx context.Context) <-chan struct{}
}

// Files keeps originals and what is made from them, by the hash of their bytes.
type Files interface {
	PutFile(ctx context.Context, path string) (hash string, isNew bool, err error)
	Adopt(ctx context.Context, path string) (hash string, isNew bool, err error)
	Open(hash string) (*os.File, error)
	Path(hash string) (string, error)
	Remove(hash string) error
	Scratch() (dir string, remove func(), err error)
}

// Media reads films and makes what is shown of them.
type Media interface {
	Probe(ctx context.Context, path string) (annotate.Film, error)
	Prepare(ctx context.Context, in string, film annotate.Film, out string, done func(float64)) (mediaType string, err error)
	Poster(ctx context.Context, in string, film annotate.Film, out string) error
	Stills(ctx context.Context, in string, at []annotate.Time, outDir string) ([]string, error)
	Photo(ctx context.Context, in, out string) error
}

// Jobs takes long work to be done later.
type Jobs interface {
	Add(ctx context.Context, kind, subject string, args any) (string, error)
}

// Finder is the search index.
type Finder interface {
	Seq() uint64
	Apply(ctx context.Context, seq uint64, put []annotate.Case, drop []string) error
	Search(ctx context.Context, q index.Query) (index.Results, error)
	Suggest(ctx context.Context, prefix string, scope index.Scope, n int) ([]string, error)
	Clear(ctx context.Context) error
}

// Parts are what a library is joined from.
type Parts struct {
	Shelf      Shelf
	Files      Files
	Media      Media
	Jobs       Jobs
	Finder     Finder
	Vocabulary *terms.Vocabulary
	Log        *slog.Logger
	NewID      func() string
}

// Library does what people ask for.
type Library struct {
	Parts
	adding    sync.Mutex // one case at a time goes into, or out of, the vault
	indexing  sync.Mutex // the index is written by one at a time
	preparing sync.Map   // by case/recording: a channel of one place, full while it is being prepared
}

// New joins a library from its parts.
func New(p Parts) *Library {
	return &Library{Parts: p}
}

// scope is what a viewer's searches reach.
func scope(v consent.Viewer) index.Scope {
	return index.Scope{All: v.Role.AtLeast(consent.Curator), Audience: v.Audience()}
}

// refuse stops those whose role does not reach.
func refuse(v consent.Viewer, least consent.Role, what string) error {
	if v.Role.AtLeast(least) {
		return nil
	}
	return annotate.Faultf(annotate.Refused, "Your account may not %s; ask a steward for the role of %s.", what, least)
}

// Case releases a case to its viewer.
func (l *Library) Case(ctx context.Context, v consent.Viewer, id string) (consent.Release, error) {
	c, err := l.Shelf.Case(ctx, id)
	if err != nil {
		return consent.Release{}, unseen(id, err)
	}
	r, err := consent.View(c, v)
	return r, unseen(id, err)
}

// unseen says the same of a case that is not there and of one that the viewer
// may not see.
func unseen(id string, err error) error {
	if annotate.CauseOf(err) == annotate.Missing {
		return annotate.Faultf(annotate.Missing, "There is no case %s here.", id)
	}
	return err
}

// Prepared gives what was made from the recordings of a released case. A copy
// that is not there, as after a restore, is one to wait for: it is made again.
func (l *Library) Prepared(ctx context.Context, r consent.Release) (map[string]annotate.Prepared, error) {
	made, err := l.Shelf.Prepared(ctx, r.Case().ID)
	for id, p := range made {
		if p.State == "ready" && !l.have(p.Play) {
			p.State = "waiting"
			made[id] = p
		}
	}
	return made, err
}

// Served is a file that may be sent: open, with its media type and hash.
type Served struct {
	*os.File
	Type, Hash string
}

// Film opens the copy of a recording that is served: without metadata, playable.
func (l *Library) Film(ctx context.Context, r consent.Release, recording string) (Served, error) {
	return l.derived(ctx, r, recording, func(p annotate.Prepared) (string, string) { return p.Play, p.Type })
}

// Poster opens the recording's poster frame, a JPEG.
func (l *Library) Poster(ctx context.Context, r consent.Release, recording string) (Served, error) {
	return l.derived(ctx, r, recording, func(p annotate.Prepared) (string, string) { return p.Poster, "image/jpeg" })
}

// StageStill opens the frame that stands for a stage, a JPEG.
func (l *Library) StageStill(ctx context.Context, r consent.Release, recording, note string) (Served, error) {
	c := r.Case()
	n, ok := c.Note(note)
	if !ok || n.Kind != "stage" || !inRecording(c, n, recording) {
		return Served{}, annotate.Faultf(annotate.Missing, "There is no stage %s in this recording.", note)
	}
	return l.derived(ctx, r, recording, func(p annotate.Prepared) (string, string) { return p.Stills[stillKey(n)], "image/jpeg" })
}

func (l *Library) derived(ctx context.Context, r consent.Release, recording string, pick func(annotate.Prepared) (hash, mediaType string)) (Served, error) {
	c := r.Case()
	rec, ok := c.Recording(recording)
	if !ok || !r.Covers(rec.Hash) {
		return Served{}, annotate.Faultf(annotate.Missing, "There is no recording %s in this case.", recording)
	}
	made, err := l.Shelf.Prepared(ctx, c.ID)
	if err != nil {
		return Served{}, err
	}
	hash, mediaType := pick(made[rec.ID])
	if hash == "" {
		return Served{}, notReady(made[rec.ID])
	}
	f, err := l.open(hash, mediaType)
	if errors.Is(err, fs.ErrNotExist) { // derived: it is made again
		return Served{}, errors.Join(notReady(annotate.Prepared{}), l.queuePrepare(ctx, c.ID, rec.ID))
	}
	return f, err
}

func notReady(p annotate.Prepared) error {
	if p.State == "failed" {
		return annotate.Faultf(annotate.Missing, "The film could not be prepared for playing. %s", p.Say)
	}
	return annotate.Faultf(annotate.Busy, "The film is still being prepared. Try again in a moment.")
}

// Still opens a photograph of the case, a JPEG.
func (l *Library) Still(_ context.Context, r consent.Release, id string) (Served, error) {
	for _, s := range r.Case().Stills {
		if s.ID == id && r.Covers(s.Hash) {
			return l.open(s.Hash, "image/jpeg")
		}
	}
	return Served{}, annotate.Faultf(annotate.Missing, "There is no still %s in this case.", id)
}

func (l *Library) open(hash, mediaType string) (Served, error) {
	f, err := l.Files.Open(hash)
	if err != nil {
		return Served{}, err
	}
	return Served{f, mediaType, hash}, nil
}

// Found is the answer to a search: cases in order, each released to the viewer,
// with its best moments.
type Found struct {
	index.Results
	Cases []consent.Release // beside Results.Hits
}

// Find searches for what a viewer may see. With no words it lists the library.
func (l *Library) Find(ctx context.Context, v consent.Viewer, q index.Query) (Found, error) {
	q.Scope = scope(v)
	res, err := l.Finder.Search(ctx, q)
	if err != nil {
		return Found{}, err
	}
	out := Found{Results: res}
	out.Hits = nil
	for _, h := range res.Hits {
		r, err := l.Case(ctx, v, h.Case)
		if annotate.CauseOf(err) == annotate.Missing {
			// Withdrawn or removed in this very moment: the store has the last word.
			continue
		}
		if err != nil {
			return Found{}, err
		}
		out.Hits = append(out.Hits, h)
		out.Cases = append(out.Cases, r)
	}
	return out, nil
}

// Suggest completes what a viewer types.
func (l *Library) Suggest(ctx context.Context, v consent.Viewer, prefix string) ([]string, error) {
	return l.Finder.Suggest(ctx, prefix, scope(v), 8)
}
