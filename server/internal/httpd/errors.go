package httpd

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"net/http"
	"net/url"
	"time"

	"github.com/labstack/echo/v4"

	"sideport/annotate"
	"sideport/web"
)

// Problem is an RFC 9457 problem detail.
type problem struct {
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
func (s *server) understand(c echo.Context, err error) problem {
	if fault, ok := errors.AsType[*annotate.Fault](err); ok {
		k := causes[fault.Cause]
		return problem{Type: "about:blank", Title: k.title, Status: k.status, Detail: fault.Say, Problems: fault.Problems}
	}
	if errors.Is(err, errSignIn) {
		return problem{Type: "about:blank", Title: "Sign in first", Status: http.StatusUnauthorized, Detail: "This needs you to be signed in."}
	}
	if errors.Is(err, errStale) {
		return problem{Type: "about:blank", Title: "Changed meanwhile", Status: http.StatusPreconditionFailed, Detail: "Somebody else changed this since you read it. Read it again, then make your change again."}
	}
	if errors.Is(err, errNoMatch) {
		return problem{Type: "about:blank", Title: "Say what you read", Status: http.StatusPreconditionRequired, Detail: "Send the ETag that you read as If-Match, so that nobody's change is lost."}
	}
	if he, ok := errors.AsType[*echo.HTTPError](err); ok && he.Code < 500 {
		return problem{Type: "about:blank", Title: http.StatusText(he.Code), Status: he.Code, Detail: plainStatus[he.Code]}
	}
	ref := s.NewID()
	s.Log.ErrorContext(c.Request().Context(), "request failed", "reference", ref, "path", c.Path(), "err", err)
	return problem{Type: "about:blank", Title: "Our fault", Status: http.StatusInternalServerError, Reference: ref,
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

// fail answers a request that went wrong.
func (s *server) fail(err error, c echo.Context) {
	if c.Response().Committed || errors.Is(err, context.Canceled) {
		return
	}
	r, _ := c.Get(routeKey).(route)
	forPeople := !r.api() && c.Request().Method != http.MethodPatch && !startsWith(c.Request().URL.Path, "/api/")
	if errors.Is(err, errSignIn) && forPeople && c.Request().Method == http.MethodGet {
		_ = c.Redirect(http.StatusSeeOther, "/sign-in?next="+url.QueryEscape(c.Request().URL.RequestURI()))
		return
	}
	p := s.understand(c, err)
	if p.Status == http.StatusServiceUnavailable {
		c.Response().Header().Set("Retry-After", "2")
	}
	if !forPeople {
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

func startsWith(s, prefix string) bool { return len(s) >= len(prefix) && s[:len(prefix)] == prefix }

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
	return func(c echo.Context) error {
		h := c.Response().Header()
		h.Set("Content-Security-Policy", "default-src 'self'; img-src 'self' data:; object-src 'none'; base-uri 'none'; form-action 'self'; frame-ancestors 'none'")
		h.Set("X-Content-Type-Options", "nosniff")
		h.Set("Referrer-Policy", "same-origin")
		h.Set("Cross-Origin-Resource-Policy", "same-origin")
		h.Set("Cache-Control", "private, no-cache")
		began := time.Now()
		err := next(c)
		if err != nil {
			c.Error(err)
		}
		s.Log.LogAttrs(c.Request().Context(), slog.LevelDebug, "request", slog.String("method", c.Request().Method),
			slog.String("route", c.Path()), slog.Int("status", c.Response().Status), slog.Duration("took", time.Since(began)))
		return nil
	}
}
