package app

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"strconv"
	"sync"
	"time"

	"sideport/annotate"
	"sideport/server/internal/config"
	"sideport/server/internal/store"
)

// serve opens the library to browsers until ctx ends.
func serve(ctx context.Context, c config.Config, s Streams) error {
	log := slog.New(slog.NewTextHandler(s.Err, &slog.HandlerOptions{Level: slog.LevelInfo}))
	a, err := open(ctx, c.Data, "serve", 2*time.Second, log)
	if err != nil {
		return err
	}
	l, err := net.Listen("tcp", c.Listen)
	if err != nil {
		return errors.Join(annotate.Faultf(annotate.Busy, "Sideport cannot listen on %s: %v. Choose another address with --listen HOST:PORT.", c.Listen, err), a.Close())
	}
	work, stop := context.WithCancel(ctx)
	background := a.start(work)
	var sampling sync.WaitGroup
	if c.Sample {
		a.sampleFirst(work, &sampling, s.Err)
	}
	err = a.answer(ctx, l, c, s)
	stop()
	l.Close()
	sampling.Wait()
	return errors.Join(err, background(), a.Close())
}

// sampleFirst sets the making of the sample library going and returns when
// there is something to see. A sample that cannot be made stops nobody's work.
func (a *App) sampleFirst(ctx context.Context, all *sync.WaitGroup, out io.Writer) {
	seen := make(chan struct{})
	ready := sync.OnceFunc(func() { close(seen) })
	all.Go(func() {
		if err := a.makeSample(ctx, out, ready); err != nil && ctx.Err() == nil {
			a.log.Error("the sample library is not whole; the next start goes on with it", "err", err)
		}
	})
	<-seen
}

// start sets the follower of the change log and the queue going; the function
// that it gives waits for their end.
func (a *App) start(ctx context.Context) (wait func() error) {
	var all sync.WaitGroup
	errs := make(chan error, 2)
	for _, run := range []func(context.Context) error{a.library.Follow, a.queue.Run} {
		all.Go(func() {
			if err := run(ctx); err != nil && !errors.Is(err, context.Canceled) {
				a.log.Error("background work ended", "err", err)
				errs <- err
			}
		})
	}
	all.Go(func() {
		err := errors.Join(a.uploads.Sweep(ctx), a.desk.Sweep(ctx), a.library.PrepareMissing(ctx))
		if err != nil && ctx.Err() == nil {
			a.log.Error("tidying up at the start failed", "err", err)
		}
	})
	return func() error {
		all.Wait()
		close(errs)
		return <-errs
	}
}

// answer serves until ctx ends, then lets requests under way finish.
func (a *App) answer(ctx context.Context, l net.Listener, c config.Config, s Streams) error {
	if err := a.store.SetHolder(store.Holder{Command: "serve", Address: reachable(l.Addr()), Token: a.token}); err != nil {
		return err
	}
	if err := a.welcome(ctx, reachable(l.Addr()), c, s); err != nil {
		return err
	}
	server := &http.Server{Handler: a.handler, ReadHeaderTimeout: 10 * time.Second, IdleTimeout: 2 * time.Minute,
		MaxHeaderBytes: 64 << 10, ErrorLog: slog.NewLogLogger(a.log.Handler(), slog.LevelDebug)}
	ended := make(chan error, 1)
	go func() { ended <- server.Serve(l) }()
	select {
	case err := <-ended:
		return fmt.Errorf("serve: %w", err)
	case <-ctx.Done():
	}
	last, cancel := context.WithTimeout(context.WithoutCancel(ctx), 5*time.Second)
	defer cancel()
	if err := server.Shutdown(last); err != nil {
		server.Close() // films still being watched
	}
	return nil
}

// reachable is an address at which this machine itself finds the server: one
// that listens everywhere is also at home.
func reachable(a net.Addr) string {
	t, ok := a.(*net.TCPAddr)
	if !ok || !t.IP.IsUnspecified() {
		return a.String()
	}
	return net.JoinHostPort("127.0.0.1", strconv.Itoa(t.Port))
}

// welcome prints the one link that signs the first steward in.
func (a *App) welcome(ctx context.Context, address string, c config.Config, s Streams) error {
	steward, err := a.desk.FirstSteward(ctx)
	if err != nil {
		return err
	}
	key, err := a.desk.Link(ctx, steward.ID)
	if err != nil {
		return err
	}
	link := "http://" + address + "/sign-in?key=" + key
	if c.JSON {
		return json.NewEncoder(s.Out).Encode(map[string]string{"data": a.data, "address": address, "sign_in": link})
	}
	_, err = fmt.Fprintf(s.Out, "Sideport serves %s\nSign in with this link (once, within a day):\n\n  %s\n\n", a.data, link)
	return err
}
