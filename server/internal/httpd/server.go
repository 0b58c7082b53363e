// Package httpd answers requests: pages for people, a JSON API for programs,
// films by ranges. It turns requests into calls of the library and what comes
// back into HTML, JSON or bytes.
//
// It must not know how things are stored, probed or searched, and it decides
// nothing about consent: it shows what a release lets it show.
package httpd

import (
	"context"
	"encoding/json"
	"errors"
	"io"
	"log/slog"
	"net/http"

	"github.com/labstack/echo/v4"

	"sideport/annotate"
	"sideport/annotate/consent"
	"sideport/server/internal/auth"
	"sideport/server/internal/library"
	"sideport/server/internal/upload"
)

// Upkeep is the housekeeping that a steward can ask a running server for.
type Upkeep interface {
	Check(ctx context.Context) (library.Report, error)
	Reindex(ctx context.Context) (library.Report, error)
	Backup(ctx context.Context, w io.Writer) error
	Jobs(ctx context.Context) ([]JobJSON, error)
}

// JobJSON is a piece of long work as the API gives it.
type JobJSON struct {
	ID      string  `json:"id"`
	Kind    string  `json:"kind"`
	Subject string  `json:"subject"` // case/recording
	State   string  `json:"state"`   // waiting, working, failed, done
	Say     string  `json:"say,omitempty"`
	Done    float64 `json:"done"` // 0 to 1
	Tries   int     `json:"tries"`
}

// Parts are what a server is joined from.
type Parts struct {
	Library *library.Library
	Desk    *auth.Desk
	Uploads *upload.Uploads
	Upkeep  Upkeep
	Spool   string // folder in which films of plain forms wait, on the vault's file system
	Token   string // of this machine's own commands; whoever can read the data folder has it
	MaxFilm int64  // bytes
	Version string
	Log     *slog.Logger
	NewID   func() string
}

// server holds the parts for the handlers.
type server struct{ Parts }

// New joins the handler.
func New(p Parts) http.Handler {
	s := &server{p}
	e := echo.New()
	e.HideBanner, e.HidePort = true, true
	e.Logger.SetOutput(io.Discard)
	e.HTTPErrorHandler = s.fail
	e.Use(s.envelope)
	for _, r := range s.routes() {
		e.Add(r.method, r.path, s.guard(r))
	}
	return e
}

// person is who asks: found once for each request, kept with it.
type person struct {
	viewer  consent.Viewer
	account auth.Account
}

const personKey = "person"

type accountKey struct{}

// Account gives the account that a request within this server comes from; "" for
// none. It is for handlers that are no echo handlers.
func Account(ctx context.Context) string {
	id, _ := ctx.Value(accountKey{}).(string)
	return id
}

func who(c echo.Context) person {
	p, _ := c.Get(personKey).(person)
	return p
}

// guard lets a request through to its handler if the role of who asks suffices.
func (s *server) guard(r route) echo.HandlerFunc {
	return func(c echo.Context) error {
		p, err := s.identify(c)
		if err != nil {
			return err
		}
		c.Set(personKey, p)
		limitForm(c, r)
		c.SetRequest(c.Request().WithContext(context.WithValue(c.Request().Context(), accountKey{}, p.viewer.Account)))
		defer forgetForm(c)
		if r.who == "" || p.viewer.Role.AtLeast(r.who) {
			return r.do(c)
		}
		if p.viewer.Role == "" {
			return errSignIn
		}
		return annotate.Faultf(annotate.Refused, "Your account may not do this; ask a steward for the role of %s.", r.who)
	}
}

// The largest bodies taken, in bytes: of a form of words, of a form with a film
// inside it from a browser without scripts (larger films come in parts), of
// JSON and of captions.
const (
	maxForm     = 1 << 20
	maxFilmForm = 2 << 30
	maxJSON     = 8 << 20
	maxCaptions = 5 << 20
)

// limitForm keeps what a plain form sends within bounds; reading a form writes
// what does not fit into memory to the disk.
func limitForm(c echo.Context, r route) {
	if r.method != http.MethodPost || !forPeople(c) {
		return
	}
	most := int64(maxForm)
	if r.path == "/add" {
		most = maxFilmForm
	}
	c.Request().Body = http.MaxBytesReader(c.Response(), c.Request().Body, most)
}

// forgetForm removes what reading a form has put on the disk: net/http does so
// for the request that it made itself, of which ours is a copy.
func forgetForm(c echo.Context) {
	if f := c.Request().MultipartForm; f != nil {
		_ = f.RemoveAll()
	}
}

// readJSON reads a request's body, which may hold nothing but what v has room for.
func readJSON(c echo.Context, v any) error {
	d := json.NewDecoder(http.MaxBytesReader(c.Response(), c.Request().Body, maxJSON))
	d.DisallowUnknownFields()
	err := d.Decode(v)
	if err == nil && d.More() {
		err = errors.New("something follows it")
	}
	if _, ok := errors.AsType[*http.MaxBytesError](err); ok {
		return err
	}
	if err != nil {
		return annotate.Faultf(annotate.Invalid, "The request's JSON cannot be read: %v.", err)
	}
	return nil
}
