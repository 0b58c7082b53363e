package httpd

import (
	"bytes"
	"io"
	"net/http"
	"strings"
	"time"

	"github.com/labstack/echo/v4"

	"sideport/annotate"
	"sideport/annotate/caption"
	"sideport/annotate/consent"
	"sideport/annotate/export"
	"sideport/server/internal/library"
	"sideport/web"
)

// released finds the case of the address and has it released to who asks.
func (s *server) released(c echo.Context) (consent.Release, error) {
	return s.Library.Case(c.Request().Context(), who(c).viewer, c.Param("id"))
}

// straight lets a file through to the connection's own ReadFrom, which has the
// kernel send it: echo's response hides it, and each byte would be copied
// through this process.
type straight struct{ *echo.Response }

func (w straight) ReadFrom(r io.Reader) (int64, error) {
	if !w.Committed {
		w.WriteHeader(w.Status)
	}
	n, err := io.Copy(w.Writer, r)
	w.Size += n
	return n, err
}

// send serves a file by ranges.
func send(c echo.Context, f library.Served) error {
	defer f.Close()
	h := c.Response().Header()
	h.Set(echo.HeaderContentType, f.Type)
	h.Set("ETag", `"`+f.Hash+`"`)
	http.ServeContent(straight{c.Response()}, c.Request(), "", time.Time{}, f.File)
	return nil
}

func (s *server) film(c echo.Context) error {
	return s.sendOf(c, func(r consent.Release) (library.Served, error) {
		return s.Library.Film(c.Request().Context(), r, c.Param("rec"))
	})
}

func (s *server) poster(c echo.Context) error {
	return s.sendOf(c, func(r consent.Release) (library.Served, error) {
		return s.Library.Poster(c.Request().Context(), r, c.Param("rec"))
	})
}

func (s *server) stageStill(c echo.Context) error {
	note := strings.TrimSuffix(c.Param("name"), ".jpg")
	return s.sendOf(c, func(r consent.Release) (library.Served, error) {
		return s.Library.StageStill(c.Request().Context(), r, c.Param("rec"), note)
	})
}

func (s *server) still(c echo.Context) error {
	id := strings.TrimSuffix(c.Param("name"), ".jpg")
	return s.sendOf(c, func(r consent.Release) (library.Served, error) {
		return s.Library.Still(c.Request().Context(), r, id)
	})
}

func (s *server) sendOf(c echo.Context, open func(consent.Release) (library.Served, error)) error {
	r, err := s.released(c)
	if err != nil {
		return err
	}
	f, err := open(r)
	if err != nil {
		return err
	}
	return send(c, f)
}

// recording finds the recording of the address in its case, released.
func (s *server) recording(c echo.Context) (consent.Release, annotate.Recording, error) {
	r, err := s.released(c)
	if err != nil {
		return r, annotate.Recording{}, err
	}
	cs := r.Case()
	rec, ok := cs.Recording(c.Param("rec"))
	if !ok {
		return r, rec, annotate.Faultf(annotate.Missing, "There is no recording %s in this case.", c.Param("rec"))
	}
	return r, rec, nil
}

func (s *server) captions(c echo.Context) error {
	_, rec, err := s.recording(c)
	if err != nil {
		return err
	}
	lang := strings.TrimSuffix(c.Param("name"), ".vtt")
	for _, t := range rec.Captions {
		if t.Language == lang {
			c.Response().Header().Set(echo.HeaderContentType, "text/vtt; charset=utf-8")
			return caption.Write(c.Response(), t.Cues)
		}
	}
	return annotate.Faultf(annotate.Missing, "There are no captions in %q for this recording.", lang)
}

// chapters gives the stages to the player. It is the same file as the export,
// but read on the page, so that being allowed to look is enough.
func (s *server) chapters(c echo.Context) error {
	r, rec, err := s.recording(c)
	if err != nil {
		return err
	}
	f, _ := export.FormatOf("chapters")
	c.Response().Header().Set(echo.HeaderContentType, "text/vtt; charset=utf-8")
	return f.Write(c.Response(), r, export.Options{Vocabulary: s.Library.Vocabulary, Recording: rec.ID})
}

func (s *server) export(c echo.Context) error {
	ctx, p := c.Request().Context(), who(c)
	to := annotate.OwnUnit
	if a := c.QueryParam("audience"); a != "" {
		if err := to.UnmarshalText([]byte(a)); err != nil {
			return err
		}
	}
	b, err := s.Library.Export(ctx, p.viewer, c.Param("id"), c.Param("format"), to, c.QueryParam("recording"), isLocal(c))
	if err != nil {
		return err
	}
	if c.Request().Method == http.MethodHead {
		return s.exported(c, b, nil)
	}
	if err := s.Desk.Note(ctx, p.viewer, "export "+b.Format.ID+" for "+to.String(), c.Param("id")); err != nil {
		return err
	}
	if b.Format.Files != nil {
		return s.exported(c, b, b.Write) // films: too large to be whole before they go out
	}
	var whole bytes.Buffer
	if err := b.Write(&whole); err != nil {
		return err
	}
	return s.exported(c, b, func(w io.Writer) error {
		_, err := whole.WriteTo(w)
		return err
	})
}

// exported sends an export under its name.
func (s *server) exported(c echo.Context, b library.Bundle, write func(io.Writer) error) error {
	h := c.Response().Header()
	h.Set(echo.HeaderContentType, b.MediaType)
	how := "attachment"
	if strings.HasPrefix(b.MediaType, "text/html") {
		how = "inline"
		// Its style stands in the page itself, so that the saved file prints alike.
		h.Set("Content-Security-Policy", "default-src 'none'; style-src 'unsafe-inline'; img-src data:; frame-ancestors 'none'")
	}
	h.Set(echo.HeaderContentDisposition, contentDisposition(how, b.Name))
	c.Response().WriteHeader(http.StatusOK)
	if write == nil {
		return nil
	}
	return write(c.Response())
}

func (s *server) static(c echo.Context) error {
	f, ok := web.Static(c.Param("name"))
	if !ok {
		return echo.ErrNotFound
	}
	c.Response().Header().Set("Cache-Control", "public, max-age=31536000, immutable")
	return c.Blob(http.StatusOK, f.Type, f.Body)
}

func (s *server) health(c echo.Context) error { return c.String(http.StatusOK, "ok\n") }

func (s *server) uploads(c echo.Context) error {
	c.Response().Committed = true
	s.Uploads.Handler().ServeHTTP(c.Response().Writer, c.Request())
	return nil
}
