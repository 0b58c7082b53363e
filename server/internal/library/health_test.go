package library

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"sideport/annotate"
)

// bench is a vault and a store under inspection.
type bench struct {
	w       *world
	damaged string
	store   []annotate.Problem
	err     error
}

func (b bench) Check(context.Context) ([]annotate.Problem, error) { return b.store, b.err }

func (b bench) EachHash(_ context.Context, fn func(string, int64) error) error {
	entries, err := os.ReadDir(b.w.dir)
	for _, e := range entries {
		err = errors.Join(err, fn(e.Name(), 1))
	}
	return err
}

func (b bench) Verify(_ context.Context, hash string) error {
	if hash == b.damaged {
		return errDisk
	}
	return nil
}

func TestCheck(t *testing.T) {
	tests := []struct {
		name  string
		spoil func(t *testing.T, w *world, b *bench)
		say   []string
		bad   int // of those, how many are more than warnings
	}{
		{"sound", func(*testing.T, *world, *bench) {}, nil, 0},
		{"original gone", func(t *testing.T, w *world, _ *bench) { w.remove(t, w.original()) }, []string{"is not in the vault"}, 1},
		{"original damaged", func(_ *testing.T, w *world, b *bench) { b.damaged = w.original() }, []string{"is damaged"}, 1},
		{"copy gone", func(t *testing.T, w *world, _ *bench) { w.remove(t, w.prepared["id1"]["r1"].Play) }, nil, 0},
		{"copy damaged", func(_ *testing.T, w *world, b *bench) { b.damaged = w.prepared["id1"]["r1"].Play }, []string{"was removed and is made again"}, 0},
		{"a file of nobody's", func(t *testing.T, w *world, b *bench) {
			if err := os.WriteFile(filepath.Join(w.dir, "abc"), nil, 0o600); err != nil {
				t.Fatal(err)
			}
			b.damaged = "abc"
		}, []string{"belongs to no case"}, 0},
		{"a file just being made", func(t *testing.T, w *world, _ *bench) {
			p := w.prepared["id1"]["r1"]
			p.State = "working"
			w.prepared["id1"]["r1"] = p
			if err := os.WriteFile(filepath.Join(w.dir, "abc"), nil, 0o600); err != nil {
				t.Fatal(err)
			}
		}, nil, 0},
		{"index ahead", func(_ *testing.T, w *world, _ *bench) { w.finder.seq = 9 }, []string{"run sideport reindex"}, 1},
		{"store damaged", func(_ *testing.T, _ *world, b *bench) { b.store = []annotate.Problem{{Say: "page 3 is odd"}} }, []string{"page 3 is odd"}, 1},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			w := newWorld(t)
			w.mustAdd(t, "case.yaml", oneFilm, "a.mp4", "film")
			w.work(t)
			b := bench{w: w}
			tt.spoil(t, w, &b)
			rep, err := w.Check(t.Context(), b, b)
			if err != nil || rep.Cases != 1 || rep.Problems == nil || len(rep.Problems) != len(tt.say) || len(annotate.Errors(rep.Problems)) != tt.bad {
				t.Fatalf("got %+v, %v", rep, err)
			}
			for i, say := range tt.say {
				if !strings.Contains(rep.Problems[i].Say, say) {
					t.Errorf("%q does not say %q", rep.Problems[i].Say, say)
				}
			}
		})
	}
	w := newWorld(t)
	if _, err := w.Check(t.Context(), bench{w: w, err: errDisk}, bench{w: w}); !errors.Is(err, errDisk) {
		t.Errorf("a store that cannot be checked: %v", err)
	}
}

func (w *world) original() string { return w.cases["id1"].Recordings[0].Hash }

func (w *world) remove(t *testing.T, hash string) {
	t.Helper()
	if err := os.Remove(filepath.Join(w.dir, hash)); err != nil {
		t.Fatal(err)
	}
}
