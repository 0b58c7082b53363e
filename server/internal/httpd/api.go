package httpd

import (
	"context"
	"fmt"
	"io"
	"net/http"
	"path"
	"strconv"
	"strings"

	"github.com/labstack/echo/v4"

	"sideport/annotate"
	"sideport/annotate/caption"
	"sideport/annotate/export"
	"sideport/server/internal/library"
)

// etag writes a rev as an entity tag.
func etag(rev uint64) string { return fmt.Sprintf(`"%d"`, rev) }

// ifMatch reads the rev that a program says it has read. "*" is any.
func ifMatch(c echo.Context) (uint64, error) {
	h := strings.TrimSpace(c.Request().Header.Get("If-Match"))
	if h == "" {
		return 0, errNoMatch
	}
	if h == "*" {
		return 0, nil
	}
	rev, err := strconv.ParseUint(strings.Trim(h, `"`), 10, 64)
	if err != nil || rev == 0 {
		return 0, errStale
	}
	return rev, nil
}

// stale turns a conflict of revs into the answer that If-Match asks for.
func stale(err error) error {
	if annotate.CauseOf(err) == annotate.Conflict {
		return errStale
	}
	return err
}

func (s *server) apiVersion(c echo.Context) error {
	return c.JSON(http.StatusOK, versionJSON{"sideport", s.Version})
}

// caseJSON is a case as the API gives it: the record, and the state of its films.
type caseJSON struct {
	annotate.Case
	Films map[string]filmState `json:"films"`
}

type filmState struct {
	State string  `json:"state"`
	Say   string  `json:"say,omitempty"`
	Done  float64 `json:"done,omitempty"`
	Type  string  `json:"type,omitempty"`
	Href  string  `json:"href"`
}

func (s *server) apiCase(c echo.Context) error {
	r, err := s.released(c)
	if err != nil {
		return err
	}
	made, err := s.Library.Prepared(c.Request().Context(), r)
	if err != nil {
		return err
	}
	out := caseJSON{Case: r.Case(), Films: map[string]filmState{}}
	for _, rec := range out.Recordings {
		p := made[rec.ID]
		if p.State == "" {
			p.State = "waiting"
		}
		out.Films[rec.ID] = filmState{p.State, p.Say, p.Done, p.Type, recordingHref(out.ID, rec.ID) + "/film"}
	}
	c.Response().Header().Set("ETag", etag(out.Rev))
	return c.JSON(http.StatusOK, out)
}

// addRequest brings in a case: a folder of this machine (its own commands
// only), or a finished upload with what is known of it.
type addRequest struct {
	Folder   string `json:"folder,omitempty"`
	Title    string `json:"title,omitempty"`
	Upload   string `json:"upload,omitempty"` // address or id of a finished upload
	CaseFile string `json:"case_file,omitempty"`
	Captions string `json:"captions,omitempty"` // WebVTT
}

func (s *server) apiAdd(c echo.Context) error {
	var q addRequest
	if err := readJSON(c, &q); err != nil {
		return err
	}
	added, err := s.addBy(c, q)
	if err != nil {
		return err
	}
	if added.Problems == nil {
		added.Problems = []annotate.Problem{}
	}
	c.Response().Header().Set("Location", "/api/cases/"+added.ID)
	return c.JSON(http.StatusCreated, added)
}

func (s *server) addBy(c echo.Context, q addRequest) (library.Added, error) {
	ctx, v := c.Request().Context(), who(c).viewer
	if q.Folder != "" {
		if !isLocal(c) {
			return library.Added{}, annotate.Faultf(annotate.Refused, "Folders of the server's machine are read for its own commands alone; upload the film instead.")
		}
		return s.Library.AddFolder(ctx, v, q.Folder)
	}
	u := library.Upload{Title: q.Title}
	if q.CaseFile != "" {
		u.CaseFile = []byte(q.CaseFile)
	}
	if q.Captions != "" {
		u.Captions = []byte(q.Captions)
	}
	if q.Upload == "" {
		return s.Library.AddUpload(ctx, v, u)
	}
	id := path.Base(q.Upload)
	file, err := s.Uploads.Finished(ctx, id, v.Account)
	if err != nil {
		return library.Added{}, err
	}
	u.Film = file.Path
	added, err := s.Library.AddUpload(ctx, v, u)
	if err == nil {
		s.discard(ctx, id)
	}
	return added, err
}

// discard clears an upload away whose case is in. What stays by mistake is
// swept in time.
func (s *server) discard(ctx context.Context, id string) {
	if err := s.Uploads.Discard(ctx, id); err != nil {
		s.Log.WarnContext(ctx, "upload not cleared away", "upload", id, "err", err)
	}
}

// changed is the answer to a change: the rev to send next time.
type changed struct {
	Rev      uint64             `json:"rev"`
	Problems []annotate.Problem `json:"problems"`
}

func (s *server) apiPutHead(c echo.Context) error {
	rev, err := ifMatch(c)
	if err != nil {
		return err
	}
	r, err := s.released(c)
	if err != nil {
		return err
	}
	var q headRequest
	if err := readJSON(c, &q); err != nil {
		return err
	}
	cs := r.Case()
	q.change(&cs)
	now, ps, err := s.Library.PutHead(c.Request().Context(), who(c).viewer, cs, rev)
	if err != nil {
		return stale(err)
	}
	c.Response().Header().Set("ETag", etag(now))
	return c.JSON(http.StatusOK, changed{now, orEmpty(ps)})
}

func (s *server) apiDropCase(c echo.Context) error {
	rev, err := ifMatch(c)
	if err != nil {
		return err
	}
	if err := s.Library.DropCase(c.Request().Context(), who(c).viewer, c.Param("id"), rev); err != nil {
		return stale(err)
	}
	return c.NoContent(http.StatusNoContent)
}

// noteAnswer is a note as kept, and what is worth a look in it.
type noteAnswer struct {
	annotate.Note
	Problems []annotate.Problem `json:"problems"`
}

func (s *server) apiAddNote(c echo.Context) error {
	return s.putNote(c, "", 0, http.StatusCreated)
}

func (s *server) apiPutNote(c echo.Context) error {
	rev, err := ifMatch(c)
	if err != nil {
		return err
	}
	return s.putNote(c, c.Param("note"), rev, http.StatusOK)
}

func (s *server) putNote(c echo.Context, id string, rev uint64, status int) error {
	var q noteRequest
	if err := readJSON(c, &q); err != nil {
		return err
	}
	n := annotate.Note{ID: id, Kind: q.Kind, Recording: q.Recording, Span: q.Span, Term: q.Term, Words: q.Words, Fields: q.Fields, State: q.State}
	n, ps, err := s.Library.PutNote(c.Request().Context(), who(c).viewer, c.Param("id"), n, rev)
	if err != nil {
		return stale(err)
	}
	c.Response().Header().Set("ETag", etag(n.Rev))
	c.Response().Header().Set("Location", "/api/cases/"+c.Param("id")+"/notes/"+n.ID)
	return c.JSON(status, noteAnswer{n, orEmpty(ps)})
}

func (s *server) apiDropNote(c echo.Context) error {
	rev, err := ifMatch(c)
	if err != nil {
		return err
	}
	if err := s.Library.DropNote(c.Request().Context(), who(c).viewer, c.Param("id"), c.Param("note"), rev); err != nil {
		return stale(err)
	}
	return c.NoContent(http.StatusNoContent)
}

func (s *server) apiPutCaptions(c echo.Context) error {
	rev, err := ifMatch(c)
	if err != nil {
		return err
	}
	data, err := io.ReadAll(http.MaxBytesReader(c.Response(), c.Request().Body, maxCaptions))
	if err != nil {
		return err
	}
	t := annotate.Track{Language: c.Param("lang")}
	var ps []annotate.Problem
	if len(data) > 0 {
		if t.Cues, ps, err = caption.Cues(data); err != nil {
			return err
		}
	}
	now, err := s.Library.PutCaptions(c.Request().Context(), who(c).viewer, c.Param("id"), c.Param("rec"), t, rev)
	if err != nil {
		return stale(err)
	}
	c.Response().Header().Set("ETag", etag(now))
	return c.JSON(http.StatusOK, captionsJSON{now, len(t.Cues), orEmpty(ps)})
}

type formatJSON struct {
	ID        string `json:"id"`
	Label     string `json:"label"`
	Help      string `json:"help"`
	MediaType string `json:"media_type"`
	Ext       string `json:"ext"`
	Archive   bool   `json:"archive"` // comes as a zip of a folder
}

func (s *server) apiFormats(c echo.Context) error {
	out := []formatJSON{}
	for _, f := range export.Formats() {
		out = append(out, formatJSON{f.ID, f.Label, f.Help, f.MediaType, f.Ext, f.Files != nil})
	}
	return c.JSON(http.StatusOK, formatsJSON{out})
}

type kindJSON struct {
	ID        string      `json:"id"`
	Name      string      `json:"name"`
	Help      string      `json:"help"`
	Timing    string      `json:"timing"` // span, instant, either
	TermKinds []string    `json:"term_kinds"`
	Fields    []fieldJSON `json:"fields"`
}

type fieldJSON struct {
	ID       string `json:"id"`
	Label    string `json:"label"`
	Type     string `json:"type"` // text, term, quantities
	Required bool   `json:"required"`
}

func (s *server) apiKinds(c echo.Context) error {
	out := []kindJSON{}
	for _, k := range annotate.Kinds() {
		j := kindJSON{k.ID, k.Name, k.Help, [...]string{"span", "instant", "either"}[k.Timing], orEmpty(k.TermKinds), []fieldJSON{}}
		for _, f := range k.Fields {
			j.Fields = append(j.Fields, fieldJSON{f.ID, f.Label, [...]string{"text", "term", "quantities"}[f.Type], f.Required})
		}
		out = append(out, j)
	}
	return c.JSON(http.StatusOK, kindsJSON{out})
}

type conceptJSON struct {
	ID   string `json:"id"`
	Kind string `json:"kind"`
	Term string `json:"term"`
}

func (s *server) apiTerms(c echo.Context) error {
	out := []conceptJSON{}
	for _, x := range s.Library.Vocabulary.Suggest(c.QueryParam("q"), c.QueryParams()["kind"], 12) {
		out = append(out, conceptJSON{x.ID, x.Kind, x.Term})
	}
	return c.JSON(http.StatusOK, termsJSON{out})
}

func (s *server) apiSuggest(c echo.Context) error {
	out, err := s.Library.Suggest(c.Request().Context(), who(c).viewer, c.QueryParam("q"))
	if err != nil {
		return err
	}
	return c.JSON(http.StatusOK, suggestionsJSON{orEmpty(out)})
}

func (s *server) apiJobs(c echo.Context) error {
	jobs, err := s.Upkeep.Jobs(c.Request().Context())
	if err != nil {
		return err
	}
	return c.JSON(http.StatusOK, jobsJSON{orEmpty(jobs)})
}

func (s *server) apiCheck(c echo.Context) error {
	rep, err := s.Upkeep.Check(c.Request().Context())
	if err != nil {
		return err
	}
	return c.JSON(http.StatusOK, rep)
}

func (s *server) apiReindex(c echo.Context) error {
	rep, err := s.Upkeep.Reindex(c.Request().Context())
	if err != nil {
		return err
	}
	return c.JSON(http.StatusOK, rep)
}

// apiBackup streams the whole library. An archive cut short has no end mark,
// so that restore knows it.
func (s *server) apiBackup(c echo.Context) error {
	if c.Request().Method == http.MethodHead {
		return c.NoContent(http.StatusOK)
	}
	if err := s.Desk.Note(c.Request().Context(), who(c).viewer, "backup", ""); err != nil {
		return err
	}
	c.Response().Header().Set(echo.HeaderContentType, "application/x-tar")
	return s.Upkeep.Backup(c.Request().Context(), c.Response())
}

func (s *server) openAPI(c echo.Context) error {
	b, err := describe(s.routes(), s.Version)
	if err != nil {
		return err
	}
	return c.Blob(http.StatusOK, "application/json", b)
}
