package app

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"sync"
	"time"

	"sideport/annotate"
	"sideport/server/internal/config"
	"sideport/server/internal/store"
)

// client asks the JSON API, wherever it runs.
type client struct {
	http  *http.Client
	base  string
	token string
}

// patience is how long a command waits for another to be done.
const patience = 10 * time.Second

// connect finds the server that has the data folder open, or starts the same
// handler inside this process. done ends whatever was started.
func connect(ctx context.Context, c config.Config, log *slog.Logger) (_ *client, done func() error, err error) {
	// Commands are short, and a server that starts has an address soon.
	for until := time.Now().Add(patience); ; {
		a, err := open(ctx, c.Data, c.Command, 100*time.Millisecond, log)
		if err == nil {
			return inside(ctx, a)
		}
		if annotate.CauseOf(err) != annotate.Busy {
			return nil, nil, err
		}
		if h, herr := store.ReadHolder(c.Data); herr == nil && h.Address != "" {
			// The token goes to the holder alone, through no proxy.
			return &client{http: &http.Client{Transport: &http.Transport{}}, base: "http://" + h.Address, token: h.Token}, func() error { return nil }, nil
		}
		if ctx.Err() != nil || time.Now().After(until) {
			return nil, nil, err
		}
	}
}

// inside answers the command from within this process.
func inside(ctx context.Context, a *App) (*client, func() error, error) {
	if err := a.library.CatchUp(ctx); err != nil {
		return nil, nil, errors.Join(err, a.Close())
	}
	l := newPipes()
	server := &http.Server{Handler: a.handler, ErrorLog: slog.NewLogLogger(a.log.Handler(), slog.LevelDebug)}
	ended := make(chan error, 1)
	go func() { ended <- server.Serve(l) }()
	transport := &http.Transport{DialContext: l.dial}
	done := func() error {
		transport.CloseIdleConnections()
		// A command that was stopped may have left its request under way.
		last, cancel := context.WithTimeout(context.WithoutCancel(ctx), patience)
		defer cancel()
		err := server.Shutdown(last)
		<-ended
		// What was changed is found by the next command: the index is brought
		// up to the last change before the library closes.
		return errors.Join(err, a.library.CatchUp(context.WithoutCancel(ctx)), a.Close())
	}
	return &client{http: &http.Client{Transport: transport}, base: "http://sideport", token: a.token}, done, nil
}

// do sends a request; an answer that is not good comes back as a fault.
func (c *client) do(ctx context.Context, method, path string, body any) (*http.Response, error) {
	var send io.Reader
	if body != nil {
		b, err := json.Marshal(body)
		if err != nil {
			return nil, err
		}
		send = bytes.NewReader(b)
	}
	req, err := http.NewRequestWithContext(ctx, method, c.base+path, send)
	if err != nil {
		return nil, err
	}
	req.Header.Set("Authorization", "Bearer "+c.token)
	if body != nil {
		req.Header.Set("Content-Type", "application/json")
	}
	res, err := c.http.Do(req)
	if ctx.Err() != nil {
		return nil, ctx.Err()
	}
	if err != nil {
		return nil, &annotate.Fault{Cause: annotate.Busy, Say: "The server that has this data folder open does not answer. Stop it, or wait until it is up.", Err: err}
	}
	if res.StatusCode >= 400 {
		defer res.Body.Close()
		return nil, faultOf(res)
	}
	return res, nil
}

// call asks and decodes the answer into v.
func (c *client) call(ctx context.Context, method, path string, body, v any) error {
	res, err := c.do(ctx, method, path, body)
	if err != nil {
		return err
	}
	defer res.Body.Close()
	if err := json.NewDecoder(res.Body).Decode(v); err != nil {
		return fmt.Errorf("read the server's answer: %w", err)
	}
	return nil
}

// faultOf turns a problem detail back into the fault that it was.
func faultOf(res *http.Response) error {
	var p struct {
		Detail    string             `json:"detail"`
		Problems  []annotate.Problem `json:"problems"`
		Reference string             `json:"reference"`
	}
	if err := json.NewDecoder(io.LimitReader(res.Body, 8<<20)).Decode(&p); err != nil {
		return fmt.Errorf("the server answered %s", res.Status)
	}
	cause, ok := map[int]annotate.Cause{404: annotate.Missing, 422: annotate.Invalid, 403: annotate.Refused, 409: annotate.Conflict,
		412: annotate.Conflict, 503: annotate.Busy, 401: annotate.Refused}[res.StatusCode]
	if !ok && p.Reference != "" {
		return fmt.Errorf("%s (reference %s)", p.Detail, p.Reference)
	}
	if !ok {
		return fmt.Errorf("the server answered %s: %s", res.Status, p.Detail)
	}
	return &annotate.Fault{Cause: cause, Say: p.Detail, Problems: p.Problems}
}

// pipes is a listener whose connections never leave the process.
type pipes struct {
	conns chan net.Conn
	once  sync.Once
	ended chan struct{}
}

func newPipes() *pipes { return &pipes{conns: make(chan net.Conn), ended: make(chan struct{})} }

func (p *pipes) dial(ctx context.Context, _, _ string) (net.Conn, error) {
	ours, theirs := net.Pipe()
	select {
	case p.conns <- theirs:
		return ours, nil
	case <-p.ended:
		return nil, net.ErrClosed
	case <-ctx.Done():
		return nil, ctx.Err()
	}
}

// Accept waits for the next call of dial.
func (p *pipes) Accept() (net.Conn, error) {
	select {
	case c := <-p.conns:
		return c, nil
	case <-p.ended:
		return nil, net.ErrClosed
	}
}

// Close ends the listener.
func (p *pipes) Close() error {
	p.once.Do(func() { close(p.ended) })
	return nil
}

// Addr names no place.
func (p *pipes) Addr() net.Addr { return &net.UnixAddr{Name: "sideport", Net: "pipe"} }
