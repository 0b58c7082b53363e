package store

import (
	"context"
	"sync"
)

// watchers are the channels to wake after a commit. The zero value is ready.
type watchers struct {
	mu     sync.Mutex
	all    map[chan struct{}]bool
	closed bool
}

// Watch gives the caller a channel of its own on which a wake-up waits after
// each change of a case or of what was prepared for one. Wake-ups that are not
// taken in time become one; the writer never waits. The channel is closed when
// ctx or the store ends. Call it before reading Changes and none is missed.
func (s *Store) Watch(ctx context.Context) <-chan struct{} {
	w := &s.watchers
	ch := make(chan struct{}, 1)
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.closed {
		close(ch)
		return ch
	}
	if w.all == nil {
		w.all = map[chan struct{}]bool{}
	}
	w.all[ch] = true
	context.AfterFunc(ctx, func() {
		w.mu.Lock()
		defer w.mu.Unlock()
		if w.all[ch] {
			delete(w.all, ch)
			close(ch)
		}
	})
	return ch
}

func (w *watchers) wake() {
	w.mu.Lock()
	defer w.mu.Unlock()
	for ch := range w.all {
		select {
		case ch <- struct{}{}:
		default:
		}
	}
}

func (w *watchers) close() {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.closed = true
	for ch := range w.all {
		close(ch)
	}
	clear(w.all)
}
