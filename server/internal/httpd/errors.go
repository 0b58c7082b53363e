package httpd

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"net/http"
	"net/url"
	"runtime/debug"
	"strings"
	"time"

	"github.com/labstack/echo/v4"

	"sideport/annotate"
	"sideport/web"
)

// problemDetail is an RFC 9457 problem detail.
type problemDetail struct {
	Type      string             `json:"type"`
	Title     string             `json:"title"`
	Status    int                `json:"status"`
	Detail    string             `json:"detail,omitempty"`
	Problems  []annotate.Problem `json:"problems,omitempty"`
	Reference string             `json:"reference,omitempty"` // also in the server's log
}

// causes says how each cause of a fault is answered.
var causes = map[annotate.Cause]struct {
	status int
	title  string
}{
	annotate.Missing:  {http.StatusNotFound, "Not here"},
	annotate.Invalid:  {http.StatusUnprocessableEntity, "Something is not right yet"},
	annotate.Refused:  {http.StatusForbidden, "Not allowed"},
	annotate.Conflict: {http.StatusConflict, "Somebody else was quicker"},
	annotate.Busy:     {http.StatusServiceUnavailable, "Not just now"},
}

// understand turns an error into what may be said of it. Whatever is not a
// fault is ours: it is said without its details, with a reference to the log.
func (s *server) understand(c echo.Context, err error) problemDetail {
	if fault, ok := errors.AsType[*annotate.Fault](err); ok {
		k := causes[fault.Cause]
		return problemDetail{Type: "about:blank", Title: k.title, Status: k.status, Detail: fault.Say, Problems: fault.Problems}
	}
	if errors.Is(err, errSignIn) {
		return problemDetail{Type: "about:blank", Title: "Sign in first", Status: http.StatusUnauthorized, Detail: "This needs you to be signed in."}
	}
	if errors.Is(err, errStale) {
		return problemDetail{Type: "about:blank", Title: "Changed meanwhile", Status: http.StatusPreconditionFailed, Detail: "Somebody else changed this since you read it. Read it again, then make your change again."}
	}
	if errors.Is(err, errNoMatch) {
		return problemDetail{Type: "about:blank", Title: "Say what you read", Status: http.StatusPreconditionRequired, Detail: "Send the ETag that you read as If-Match, so that nobody's change is lost."}
	}
	if _, ok := errors.AsType[*http.MaxBytesError](err); ok {
		err = echo.ErrStatusRequestEntityTooLarge
	}
	if he, ok := errors.AsType[*echo.HTTPError](err); ok && he.Code < 500 {
		return problemDetail{Type: "about:blank", Title: http.StatusText(he.Code), Status: he.Code, Detail: plainStatus[he.Code]}
	}
	ref := s.NewID()
	s.Log.ErrorContext(c.Request().Context(), "request failed", "reference", ref, "path", c.Path(), "err", err)
	return problemDetail{Type: "about:blank", Title: "Our fault", Status: http.StatusInternalServerError, Reference: ref,
		Detail: "Something went wrong on our side; nothing of yours was lost. Try again, and if it stays, tell whoever looks after this library the reference."}
}

var plainStatus = map[int]string{
	http.StatusNotFound:              "There is no such page. The library is the place to look.",
	http.StatusMethodNotAllowed:      "This address does not take that kind of request.",
	http.StatusRequestEntityTooLarge: "That is more than this address takes.",
}

// errStale is an If-Match that no longer holds; errNoMatch is its absence.
var (
	errStale   = errors.New("precondition failed")
	errNoMatch = errors.New("precondition required")
)

// fail answers a request that went wrong. Where part of the answer has gone out
// already the connection is cut, so that nobody takes the part for the whole.
func (s *server) fail(err error, c echo.Context) {
	if c.Request().Context().Err() != nil && !c.Response().Committed {
		return // nobody is there to be answered
	}
	if c.Response().Committed {
		s.Log.WarnContext(c.Request().Context(), "answer cut short", "path", c.Path(), "err", err)
		panic(http.ErrAbortHandler)
	}
	if errors.Is(err, errSignIn) && forPeople(c) && c.Request().Method == http.MethodGet {
		_ = c.Redirect(http.StatusSeeOther, "/sign-in?next="+url.QueryEscape(c.Request().URL.RequestURI()))
		return
	}
	p := s.understand(c, err)
	if p.Status == http.StatusServiceUnavailable {
		c.Response().Header().Set("Retry-After", "2")
	}
	if !forPeople(c) {
		c.Response().Header().Set(echo.HeaderContentType, "application/problem+json")
		c.Response().WriteHeader(p.Status)
		_ = json.NewEncoder(c.Response()).Encode(p)
		return
	}
	page := web.ErrorPage{Base: s.base(c, p.Title), Status: p.Status, What: p.Title, Do: p.Detail, Reference: p.Reference}
	for _, q := range p.Problems {
		page.Problems = append(page.Problems, q.String())
	}
	if err := s.render(c, p.Status, page); err != nil {
		s.Log.ErrorContext(c.Request().Context(), "error page failed", "err", err)
		_ = c.String(p.Status, p.Title+". "+p.Detail)
	}
}

// forPeople says whether a person reads the answer, rather than a program.
func forPeople(c echo.Context) bool {
	path := c.Request().URL.Path
	return !strings.HasPrefix(path, "/api/") && !strings.HasPrefix(path, "/uploads/")
}

// render writes a page, or nothing but an error: the status goes out only when
// the page is whole.
func (s *server) render(c echo.Context, status int, page web.Page) error {
	var b bytes.Buffer
	if err := web.Render(&b, page); err != nil {
		return fmt.Errorf("render %T: %w", page, err)
	}
	return c.HTMLBlob(status, b.Bytes())
}

// envelope gives every answer its protective headers and every request its
// line in the log: method, route and outcome, never what was asked for.
func (s *server) envelope(next echo.HandlerFunc) echo.HandlerFunc {
	origin := http.NewCrossOriginProtection()
	return func(c echo.Context) error {
		h := c.Response().Header()
		h.Set("Content-Security-Policy", "default-src 'self'; img-src 'self' data:; object-src 'none'; base-uri 'none'; form-action 'self'; frame-ancestors 'none'")
		h.Set("X-Content-Type-Options", "nosniff")
		h.Set("Referrer-Policy", "same-origin")
		h.Set("Cross-Origin-Resource-Policy", "same-origin")
		h.Set("Cache-Control", "private, no-cache")
		began := time.Now()
		err := error(annotate.Faultf(annotate.Refused, "This request was sent by another site, so nothing was changed. Open the library itself and do it there."))
		if origin.Check(c.Request()) == nil {
			err = caught(next, c)
		}
		if err != nil {
			c.Error(err)
		}
		s.Log.LogAttrs(c.Request().Context(), slog.LevelDebug, "request", slog.String("method", c.Request().Method),
			slog.String("route", c.Path()), slog.Int("status", c.Response().Status), slog.Duration("took", time.Since(began)))
		return nil
	}
}

// caught turns a handler's panic into an error, for the log and the reference.
func caught(next echo.HandlerFunc, c echo.Context) (err error) {
	defer func() {
		if r := recover(); r != nil {
			err = fmt.Errorf("panic: %v\n%s", r, debug.Stack())
		}
	}()
	return next(c)
}
