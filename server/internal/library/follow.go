package library

import (
	"context"

	"sideport/annotate"
)

// batch is how many cases are indexed at once in a rebuild.
const batch = 50

// Follow keeps the index behind the store by no more than the change that is
// being made, until ctx ends. Where it cannot keep up, as on a full disk, it
// tries again after the next change.
func (l *Library) Follow(ctx context.Context) error {
	woken := l.Shelf.Watch(ctx)
	for {
		if err := l.CatchUp(ctx); err != nil && ctx.Err() == nil {
			l.Log.ErrorContext(ctx, "the index is behind the library", "err", err)
		}
		select {
		case <-ctx.Done():
			return nil
		case _, ok := <-woken:
			if !ok {
				return nil
			}
		}
	}
}

// CatchUp brings the index up to the last change.
func (l *Library) CatchUp(ctx context.Context) error {
	l.indexing.Lock()
	defer l.indexing.Unlock()
	if l.Finder.Seq() == 0 {
		return l.rebuild(ctx)
	}
	for {
		changes, err := l.Shelf.Changes(ctx, l.Finder.Seq(), 500)
		if err != nil || len(changes) == 0 {
			return err
		}
		touched := map[string]bool{}
		for _, c := range changes {
			touched[c.Case] = true
		}
		var put []annotate.Case
		var drop []string
		for id := range touched {
			c, err := l.Shelf.Case(ctx, id)
			switch {
			case annotate.CauseOf(err) == annotate.Missing:
				drop = append(drop, id)
			case err != nil:
				return err
			default:
				put = append(put, c)
			}
		}
		if err := l.Finder.Apply(ctx, changes[len(changes)-1].Seq, put, drop); err != nil {
			return err
		}
		l.restill(ctx, put)
	}
}

// rebuild indexes every case anew. The change number is written with the last
// batch alone, so that a rebuild cut short starts again.
func (l *Library) rebuild(ctx context.Context) error {
	seq, err := l.Shelf.LastSeq(ctx)
	if err != nil || seq == 0 {
		return err
	}
	var waiting []annotate.Case
	err = l.Shelf.EachCase(ctx, func(c annotate.Case) error {
		waiting = append(waiting, c)
		if len(waiting) < batch {
			return nil
		}
		full := waiting
		waiting = nil
		return l.Finder.Apply(ctx, 0, full, nil)
	})
	if err != nil {
		return err
	}
	return l.Finder.Apply(ctx, seq, waiting, nil)
}

// Reindex builds the index anew from the store.
func (l *Library) Reindex(ctx context.Context) error {
	l.indexing.Lock()
	err := l.Finder.Clear(ctx)
	l.indexing.Unlock()
	if err != nil {
		return err
	}
	return l.CatchUp(ctx)
}

// restill asks for stills of stages that a change added or moved. What has not
// been prepared yet gets them then.
func (l *Library) restill(ctx context.Context, changed []annotate.Case) {
	for _, c := range changed {
		all, err := l.Shelf.Prepared(ctx, c.ID)
		for _, r := range c.Recordings {
			p := all[r.ID]
			if err == nil && (p.State == "ready" || p.State == "working") && stillsMissing(c, r.ID, p) {
				err = l.queuePrepare(ctx, c.ID, r.ID)
			}
		}
		if err != nil && ctx.Err() == nil {
			l.Log.WarnContext(ctx, "stage stills not queued", "case", c.ID, "err", err)
		}
	}
}
