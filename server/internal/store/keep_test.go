package store

import (
	"context"
	"errors"
	"fmt"
	"strconv"
	"sync"
	"testing"

	"github.com/google/go-cmp/cmp"

	"sideport/annotate"
)

func TestShelves(t *testing.T) {
	s, ctx := newStore(t), t.Context()
	if _, ok, err := s.Take(ctx, "sessions", "k"); ok || err != nil {
		t.Errorf("an empty shelf: %v, %v", ok, err)
	}
	if err := s.Each(ctx, "sessions", func(string, []byte) error { return errors.New("called") }); err != nil {
		t.Errorf("an empty shelf: %v", err)
	}
	for _, k := range []string{"b", "a", "c/d"} {
		if err := s.Keep(ctx, "sessions", k, []byte("value "+k)); err != nil {
			t.Fatal(err)
		}
	}
	if err := errors.Join(s.Keep(ctx, "jobs", "a", nil), s.Keep(ctx, "sessions", "b", []byte("second")), s.Forget(ctx, "sessions", "c/d"), s.Forget(ctx, "sessions", "none")); err != nil {
		t.Fatal(err)
	}
	if v, ok, err := s.Take(ctx, "jobs", "a"); !ok || len(v) != 0 || err != nil {
		t.Errorf("an empty value: %q, %v, %v", v, ok, err)
	}
	var got []string
	err := s.Each(ctx, "sessions", func(key string, value []byte) error {
		got = append(got, key+"="+string(value))
		return s.Forget(ctx, "sessions", key) // the store may be used meanwhile
	})
	if diff := cmp.Diff([]string{"a=value a", "b=second"}, got); diff != "" || err != nil {
		t.Errorf("the shelf holds (%v):\n%s", err, diff)
	}
	if _, ok, _ := s.Take(ctx, "sessions", "a"); ok {
		t.Error("what was forgotten is there")
	}
	if err := errors.Join(s.Keep(ctx, "", "k", nil)); err == nil {
		t.Error("a shelf without a name was taken")
	}
	if n := lastSeq(t, s); n != 0 {
		t.Errorf("shelves made %d changes, want none", n)
	}
}

func TestSwap(t *testing.T) {
	s, ctx := newStore(t), t.Context()
	count := func(old []byte) ([]byte, error) {
		n, _ := strconv.Atoi(string(old))
		return fmt.Append(nil, n+1), nil
	}
	t.Run("at the same time", func(t *testing.T) {
		var wait sync.WaitGroup
		for range 20 {
			wait.Go(func() {
				if err := s.Swap(ctx, "x", "n", count); err != nil {
					t.Error(err)
				}
			})
		}
		wait.Wait()
		if v, _, _ := s.Take(ctx, "x", "n"); string(v) != "20" {
			t.Errorf("counted to %s, want 20", v)
		}
	})
	t.Run("an error leaves it", func(t *testing.T) {
		no := errors.New("no")
		if err := s.Swap(ctx, "x", "n", func([]byte) ([]byte, error) { return []byte("99"), no }); !errors.Is(err, no) {
			t.Errorf("got %v, want the function's error", err)
		}
		if v, _, _ := s.Take(ctx, "x", "n"); string(v) != "20" {
			t.Errorf("the value is %s, want 20", v)
		}
	})
	t.Run("a panic is the caller's and leaves it", func(t *testing.T) {
		func() {
			defer func() {
				if r := recover(); r != "mine" {
					t.Errorf("recovered %v, want the caller's panic", r)
				}
			}()
			_ = s.Swap(ctx, "x", "n", func([]byte) ([]byte, error) { panic("mine") })
		}()
		if err := s.Swap(ctx, "x", "n", count); err != nil {
			t.Error(err)
		}
	})
	t.Run("nil removes", func(t *testing.T) {
		if err := s.Swap(ctx, "x", "n", func([]byte) ([]byte, error) { return nil, nil }); err != nil {
			t.Fatal(err)
		}
		if _, ok, _ := s.Take(ctx, "x", "n"); ok {
			t.Error("the key is there")
		}
	})
}

func TestPrepared(t *testing.T) {
	s, ctx := newStore(t), t.Context()
	for _, id := range []string{"c1", "c10"} {
		apply(t, s, annotate.Edit{Case: id, Add: testCase()})
	}
	want := annotate.Prepared{State: "ready", Play: hash("1"), Type: "video/mp4", Stills: map[string]string{"n1": hash("2")}}
	for _, at := range [][2]string{{"c1", "r2"}, {"c10", "r1"}} {
		if err := s.SetPrepared(ctx, at[0], at[1], want); err != nil {
			t.Fatal(err)
		}
	}
	got, err := s.Prepared(ctx, "c1")
	if diff := cmp.Diff(map[string]annotate.Prepared{"r2": want}, got); diff != "" || err != nil {
		t.Errorf("prepared of c1 (%v):\n%s", err, diff)
	}
	var all []string
	err = s.EachPrepared(ctx, func(id, recording string, p annotate.Prepared) error {
		all = append(all, id+" "+recording+" "+p.State)
		return s.SetPrepared(ctx, id, recording, p)
	})
	if diff := cmp.Diff([]string{"c1 r2 ready", "c10 r1 ready"}, all); diff != "" || err != nil {
		t.Errorf("all that is prepared (%v):\n%s", err, diff)
	}
	for _, at := range [][2]string{{"c1", "r9"}, {"c2", "r1"}, {"c1", ""}} {
		if err := s.SetPrepared(ctx, at[0], at[1], want); annotate.CauseOf(err) != annotate.Missing {
			t.Errorf("prepared %v, which is not there: got %v, want Missing", at, err)
		}
	}
	if n := lastSeq(t, s); n != 2 {
		t.Errorf("the log ends at %d, want 2", n)
	}
}

func TestWatch(t *testing.T) {
	s := newStore(t)
	ctx, cancel := context.WithCancel(t.Context())
	slow, quick := s.Watch(ctx), s.Watch(t.Context())
	woken := func(ch <-chan struct{}) bool {
		select {
		case _, open := <-ch:
			return open
		default:
			return false
		}
	}
	if woken(quick) {
		t.Error("woken before anything happened")
	}
	apply(t, s, annotate.Edit{Case: "c1", Add: testCase()})
	if !woken(quick) || woken(quick) {
		t.Error("one change should wake once")
	}
	n := remark("n1", 3, "x")
	apply(t, s, annotate.Edit{Case: "c1", PutNote: &n})
	if err := s.SetPrepared(t.Context(), "c1", "r1", annotate.Prepared{State: "ready"}); err != nil {
		t.Fatal(err)
	}
	if !woken(slow) || woken(slow) {
		t.Error("wake-ups that were not taken should become one")
	}
	if _, err := s.Apply(t.Context(), "a1", annotate.Edit{Case: "c1"}); err == nil || !woken(quick) || woken(quick) {
		t.Error("a refused edit should wake nobody")
	}
	cancel()
	if _, open := <-slow; open {
		t.Error("woken, and not closed, when its context ended")
	}
	closeSound(t, s)
	if _, open := <-quick; open {
		t.Error("woken, and not closed, when the store closed")
	}
	if _, open := <-s.Watch(t.Context()); open {
		t.Error("a closed store gave a channel that is open")
	}
}
