package httpd

import (
	"crypto/subtle"
	"errors"
	"net/http"
	"net/url"
	"strings"
	"time"

	"github.com/labstack/echo/v4"

	"sideport/annotate"
	"sideport/annotate/consent"
	"sideport/server/internal/auth"
	"sideport/web"
)

const cookieName = "sideport"

// errSignIn sends people to the sign-in page and tells programs 401.
var errSignIn = errors.New("sign in first")

// local is the account under which this machine's own commands act.
var local = auth.Account{ID: auth.Local, Name: "This machine", Role: consent.Steward}

// identify finds out who asks: by the cookie of a session, or by the token that
// lies in the data folder.
func (s *server) identify(c echo.Context) (person, error) {
	if token, ok := strings.CutPrefix(c.Request().Header.Get("Authorization"), "Bearer "); ok {
		if s.Token != "" && subtle.ConstantTimeCompare([]byte(token), []byte(s.Token)) == 1 {
			return person{consent.Viewer{Account: local.ID, Role: local.Role}, local}, nil
		}
		return person{}, errSignIn
	}
	cookie, err := c.Cookie(cookieName)
	if err != nil || cookie.Value == "" {
		return person{}, nil
	}
	v, acc, err := s.Desk.Session(c.Request().Context(), cookie.Value)
	if cause := annotate.CauseOf(err); cause == annotate.Missing || cause == annotate.Refused || cause == annotate.Invalid {
		return person{}, nil // over, or never was: as if not signed in
	}
	return person{v, acc}, err
}

// isLocal says whether this machine's own command asks.
func isLocal(c echo.Context) bool { return who(c).account.ID == local.ID }

func (s *server) signInPage(c echo.Context) error {
	key := c.QueryParam("key")
	page := web.SignInPage{Base: s.base(c, "Sign in"), Key: key, Next: nextOf(c.QueryParam("next"))}
	if key != "" {
		if err := s.Desk.Peek(c.Request().Context(), key); err != nil {
			fault, ok := errors.AsType[*annotate.Fault](err)
			if !ok {
				return err
			}
			page.Key, page.Problem = "", fault.Say
		}
	}
	return s.render(c, http.StatusOK, page)
}

func (s *server) signIn(c echo.Context) error {
	session, acc, err := s.Desk.SignIn(c.Request().Context(), c.FormValue("key"))
	if fault, ok := errors.AsType[*annotate.Fault](err); ok {
		return s.render(c, http.StatusForbidden, web.SignInPage{Base: s.base(c, "Sign in"), Problem: fault.Say})
	}
	if err != nil {
		return err
	}
	s.setCookie(c, session, 30*24*time.Hour)
	s.Log.InfoContext(c.Request().Context(), "signed in", "account", acc.ID)
	return c.Redirect(http.StatusSeeOther, nextOf(c.FormValue("next")))
}

func (s *server) signOut(c echo.Context) error {
	if cookie, err := c.Cookie(cookieName); err == nil {
		if err := s.Desk.SignOut(c.Request().Context(), cookie.Value); err != nil && annotate.CauseOf(err) == "" {
			return err
		}
	}
	s.setCookie(c, "", -time.Second)
	return c.Redirect(http.StatusSeeOther, "/sign-in")
}

func (s *server) setCookie(c echo.Context, value string, age time.Duration) {
	c.SetCookie(&http.Cookie{Name: cookieName, Value: value, Path: "/", MaxAge: int(age.Seconds()),
		HttpOnly: true, SameSite: http.SameSiteLaxMode, Secure: c.Request().TLS != nil})
}

// nextOf keeps a way back within this library.
func nextOf(next string) string {
	u, err := url.Parse(next)
	if err != nil || u.IsAbs() || u.Host != "" || !strings.HasPrefix(u.Path, "/") || strings.HasPrefix(next, "//") || strings.ContainsAny(next, "\\") {
		return "/"
	}
	return next
}

// base fills in what every page shows.
func (s *server) base(c echo.Context, title string) web.Base {
	p := who(c)
	return web.Base{Title: title, Here: c.Request().URL.Path, Notice: notices[c.QueryParam("done")], Viewer: web.Viewer{
		Name: p.account.Name, Role: string(p.viewer.Role), Curates: p.viewer.Role.AtLeast(consent.Curator)}}
}

// notices say what a form has just done; the address carries only the word.
var notices = map[string]string{
	"note":    "The note is kept.",
	"removed": "The note is removed.",
	"details": "The details are kept.",
	"gone":    "The case is removed.",
	"added":   "The case is added. Its film is being prepared for playing.",
}
