package library

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"sideport/annotate"
	"sideport/index"
)

// files keeps files in one folder.
type files struct{ w *world }

func (f files) put(path string) (string, bool, error) {
	b, err := os.ReadFile(path)
	if err != nil {
		return "", false, err
	}
	sum := sha256.Sum256(b)
	hash := hex.EncodeToString(sum[:])
	to := filepath.Join(f.w.dir, hash)
	_, err = os.Stat(to)
	return hash, err != nil, os.WriteFile(to, b, 0o600)
}

func (f files) PutFile(ctx context.Context, path string) (string, bool, error) {
	if err := f.w.call(ctx, "PutFile"); err != nil {
		return "", false, err
	}
	return f.put(path)
}

func (f files) Adopt(ctx context.Context, path string) (string, bool, error) {
	if err := f.w.call(ctx, "Adopt"); err != nil {
		return "", false, err
	}
	hash, isNew, err := f.put(path)
	return hash, isNew, errors.Join(err, os.Remove(path))
}

func (f files) Open(hash string) (*os.File, error) {
	if err := f.w.call(context.Background(), "Open"); err != nil {
		return nil, err
	}
	return os.Open(filepath.Join(f.w.dir, hash))
}

func (f files) Path(hash string) (string, error) {
	path := filepath.Join(f.w.dir, hash)
	_, err := os.Stat(path)
	return path, err
}

func (f files) Remove(hash string) error {
	if err := f.w.call(context.Background(), "Remove"); err != nil {
		return err
	}
	err := os.Remove(filepath.Join(f.w.dir, hash))
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	return err
}

func (f files) Scratch() (string, func(), error) {
	if err := f.w.call(context.Background(), "Scratch"); err != nil {
		return "", nil, err
	}
	dir, err := os.MkdirTemp(f.w.scratch, "")
	return dir, func() { os.RemoveAll(dir) }, err
}

// tools make marked copies instead of pictures. A film begins with "film".
type tools struct{ w *world }

func (m tools) Probe(ctx context.Context, path string) (annotate.Film, error) {
	if err := m.w.call(ctx, "Probe"); err != nil {
		return annotate.Film{}, err
	}
	b, err := os.ReadFile(path)
	if err != nil {
		return annotate.Film{}, err
	}
	if !strings.HasPrefix(string(b), "film") {
		return annotate.Film{}, annotate.Faultf(annotate.Invalid, "This is not a film.")
	}
	return annotate.Film{Container: "mp4", Duration: 60 * annotate.Second, Rate: annotate.Rate{Num: 25, Den: 1}, Width: 64, Height: 48, VideoCodec: "h264", Size: int64(len(b))}, nil
}

func copied(in, out, mark string) error {
	b, err := os.ReadFile(in)
	if err != nil {
		return err
	}
	return os.WriteFile(out, append([]byte(mark), b...), 0o600)
}

func (m tools) Prepare(ctx context.Context, in string, _ annotate.Film, out string, done func(float64)) (string, error) {
	if err := m.w.call(ctx, "Prepare"); err != nil {
		return "", err
	}
	for i := range 100 {
		done(float64(i) / 100)
	}
	return "video/mp4", copied(in, out, "film: copy of ")
}

func (m tools) Poster(ctx context.Context, in string, _ annotate.Film, out string) error {
	if err := m.w.call(ctx, "Poster"); err != nil {
		return err
	}
	return copied(in, out, "poster of ")
}

func (m tools) Stills(ctx context.Context, in string, at []annotate.Time, dir string) ([]string, error) {
	if err := m.w.call(ctx, "Stills"); err != nil {
		return nil, err
	}
	var out []string
	for _, t := range at {
		path := filepath.Join(dir, t.String())
		if err := copied(in, path, t.String()+" of "); err != nil {
			return nil, err
		}
		out = append(out, path)
	}
	return out, nil
}

func (m tools) Photo(ctx context.Context, in, out string) error {
	if err := m.w.call(ctx, "Photo"); err != nil {
		return err
	}
	b, err := os.ReadFile(in)
	if err == nil && !strings.HasPrefix(string(b), "photo") {
		return annotate.Faultf(annotate.Invalid, "This is not a photograph.")
	}
	return errors.Join(err, copied(in, out, "clean "))
}

// queue remembers what was asked for.
type queue struct{ w *world }

func (q queue) Add(ctx context.Context, kind, subject string, _ any) (string, error) {
	if err := q.w.call(ctx, "Jobs.Add"); err != nil {
		return "", err
	}
	if kind != PrepareJob {
		return "", fmt.Errorf("no such job: %s", kind)
	}
	q.w.jobs = append(q.w.jobs, subject)
	return subject, nil
}

// work does what was asked for.
func (w *world) work(t *testing.T) {
	t.Helper()
	for len(w.jobs) > 0 {
		id, rec, _ := strings.Cut(w.jobs[0], "/")
		w.jobs = w.jobs[1:]
		args, err := json.Marshal(prepareArgs{id, rec})
		if err != nil {
			t.Fatal(err)
		}
		if err := w.DoPrepare(t.Context(), args, func(float64) {}); err != nil {
			t.Fatal(err)
		}
	}
}

// finder remembers what it was told to hold.
type finder struct {
	w       *world
	seq     uint64
	docs    map[string]annotate.Case
	steps   []string
	results index.Results
	query   index.Query
}

func (f *finder) Seq() uint64 { return f.seq }

func (f *finder) Apply(ctx context.Context, seq uint64, put []annotate.Case, drop []string) error {
	if err := f.w.call(ctx, "Finder.Apply"); err != nil {
		return err
	}
	for _, c := range put {
		f.docs[c.ID] = c
	}
	for _, id := range drop {
		delete(f.docs, id)
	}
	f.seq = seq
	f.steps = append(f.steps, fmt.Sprintf("%d: +%d -%d", seq, len(put), len(drop)))
	return nil
}

func (f *finder) Search(_ context.Context, q index.Query) (index.Results, error) {
	f.query = q
	return f.results, nil
}

func (f *finder) Suggest(context.Context, string, index.Scope, int) ([]string, error) {
	return nil, nil
}

func (f *finder) Clear(ctx context.Context) error {
	f.seq, f.docs = 0, map[string]annotate.Case{}
	return f.w.call(ctx, "Clear")
}
