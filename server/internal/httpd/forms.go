package httpd

import (
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"os"
	"path"
	"strconv"
	"strings"
	"syscall"

	"github.com/labstack/echo/v4"

	"sideport/annotate"
	"sideport/server/internal/library"
	"sideport/web"
)

// ifRev reads the rev that a form was filled in against: without it somebody
// else's change could be lost.
func ifRev(c echo.Context) (uint64, error) {
	n, err := strconv.ParseUint(c.FormValue("rev"), 10, 64)
	if err != nil || n == 0 {
		return 0, errNoMatch
	}
	return n, nil
}

// wrongs turns what a person can mend into what stands beside the fields; any
// other error comes back.
func wrongs(err error) (web.Problems, error) {
	fault, ok := errors.AsType[*annotate.Fault](err)
	if !ok || fault.Cause == annotate.Missing || fault.Cause == annotate.Refused {
		return nil, err
	}
	ps := web.Problems{}
	if len(fault.Problems) == 0 {
		ps.Add("", fault.Say)
	}
	for _, p := range fault.Problems {
		p.File = ""
		ps.Add(p.Path, p.Say)
	}
	return ps, nil
}

func (s *server) newNotePage(c echo.Context) error {
	r, err := s.released(c)
	if err != nil {
		return err
	}
	cs := r.Case()
	form := web.NoteForm{Recording: c.QueryParam("rec"), Fields: map[string]string{}}
	if k, ok := annotate.KindOf(c.QueryParam("kind")); ok {
		form.Kind = k.ID
	}
	if c.QueryParam("t") != "" {
		form.From = openAt(c).String()
	}
	return s.render(c, http.StatusOK, s.noteForm(c, cs, form, annotate.Note{}, nil))
}

func (s *server) notePage(c echo.Context) error {
	r, err := s.released(c)
	if err != nil {
		return err
	}
	cs := r.Case()
	n, ok := cs.Note(c.Param("note"))
	if !ok {
		return annotate.Faultf(annotate.Missing, "There is no such note in this case; somebody may have removed it.")
	}
	p := s.noteForm(c, cs, s.formOf(n), n, nil)
	p.Deleting = c.QueryParam("delete") != ""
	return s.render(c, http.StatusOK, p)
}

// formOf puts a note into the fields of its form.
func (s *server) formOf(n annotate.Note) web.NoteForm {
	f := web.NoteForm{Kind: n.Kind, Recording: n.Recording, From: n.Span.From.String(), Concept: s.label(n.Term), Words: n.Words,
		Pencilled: n.State == annotate.Pencilled, Fields: map[string]string{}}
	if !n.Span.Instant() {
		f.To = n.Span.To.String()
	}
	for id, v := range n.Fields {
		f.Fields[id] = s.label(annotate.Term{Concept: v.Concept, Words: v.Text})
		for _, q := range v.Quantities {
			prm, _ := annotate.ParameterOf(q.Parameter)
			f.Fields[id] += prm.Label + " " + q.String() + "\n"
		}
	}
	return f
}

func (s *server) noteForm(c echo.Context, cs annotate.Case, f web.NoteForm, n annotate.Note, ps web.Problems) web.NotePage {
	title := "A new note"
	if n.ID != "" {
		title = "Change a note"
	}
	p := web.NotePage{Base: s.base(c, title), CaseID: cs.ID, CaseTitle: cs.Title, NoteID: n.ID, Rev: n.Rev, Form: f,
		Problems: ps, Suggest: map[string][]string{}}
	for i, r := range cs.Recordings {
		p.Recordings = append(p.Recordings, web.Option{Value: r.ID, Label: recordingLabel(r, i), Chosen: r.ID == f.Recording})
	}
	for _, x := range s.Library.Vocabulary.All() {
		p.Suggest[x.Kind] = append(p.Suggest[x.Kind], x.Term)
	}
	return p
}

// saveNote keeps a note, new or changed, or shows the form again with what is wrong.
func (s *server) saveNote(c echo.Context) error {
	r, err := s.released(c)
	if err != nil {
		return err
	}
	cs, id, rev := r.Case(), c.Param("note"), uint64(0)
	if id != "" {
		if rev, err = ifRev(c); err != nil {
			return err
		}
	}
	form := readNoteForm(c)
	n, ps := s.noteOf(form)
	n.ID, n.Rev = id, rev
	if len(ps) == 0 {
		_, _, err = s.Library.PutNote(c.Request().Context(), who(c).viewer, cs.ID, n, rev)
		if err == nil {
			return c.Redirect(http.StatusSeeOther, fmt.Sprintf("%s&done=note", momentHref(cs.ID, n.Recording, n.Span.From)))
		}
		if ps, err = wrongs(err); err != nil {
			return err
		}
	}
	return s.render(c, http.StatusUnprocessableEntity, s.noteForm(c, cs, form, n, ps))
}

func readNoteForm(c echo.Context) web.NoteForm {
	f := web.NoteForm{Kind: c.FormValue("kind"), Recording: c.FormValue("recording"), From: c.FormValue("from"), To: c.FormValue("to"),
		Concept: c.FormValue("concept"), Words: c.FormValue("words"), Pencilled: c.FormValue("pencilled") != "", Fields: map[string]string{}}
	if k, ok := annotate.KindOf(f.Kind); ok {
		for _, x := range k.Fields {
			f.Fields[x.ID] = c.FormValue("field." + x.ID)
		}
	}
	return f
}

// noteOf reads a form; what cannot be read is said beside its field.
func (s *server) noteOf(f web.NoteForm) (annotate.Note, web.Problems) {
	ps := web.Problems{}
	n := annotate.Note{Kind: f.Kind, Recording: f.Recording, Words: strings.TrimSpace(strings.ReplaceAll(f.Words, "\r\n", "\n")),
		Term: annotate.Term{Words: strings.TrimSpace(f.Concept)}, State: annotate.Inked, Fields: map[string]annotate.Fact{}}
	if f.Pencilled {
		n.State = annotate.Pencilled
	}
	var err error
	if n.Span.From, err = annotate.ParseTime(f.From); err != nil {
		ps.Add("from", err.Error())
	}
	n.Span.To = n.Span.From
	if strings.TrimSpace(f.To) != "" {
		if n.Span.To, err = annotate.ParseTime(f.To); err != nil {
			ps.Add("to", err.Error())
		}
	}
	k, _ := annotate.KindOf(f.Kind)
	for _, x := range k.Fields {
		text := strings.TrimSpace(f.Fields[x.ID])
		if text == "" {
			continue
		}
		fact := annotate.Fact{Text: text}
		if x.Type == annotate.QuantitiesField {
			qs, err := s.Library.ParseQuantities(text)
			if err != nil {
				ps.Add(x.ID, err.Error())
			}
			fact = annotate.Fact{Quantities: qs}
		}
		n.Fields[x.ID] = fact
	}
	return n, ps
}

func (s *server) deleteNote(c echo.Context) error {
	rev, err := ifRev(c)
	if err != nil {
		return err
	}
	if err := s.Library.DropNote(c.Request().Context(), who(c).viewer, c.Param("id"), c.Param("note"), rev); err != nil {
		return err
	}
	return c.Redirect(http.StatusSeeOther, "/cases/"+url.PathEscape(c.Param("id"))+"?done=removed")
}

func (s *server) detailsPage(c echo.Context) error {
	r, err := s.released(c)
	if err != nil {
		return err
	}
	cs := r.Case()
	f := web.DetailsForm{CaseTitle: cs.Title, Summary: cs.Summary, Procedure: s.label(cs.Procedure), Surgeon: cs.Surgeon, Eye: cs.Eye,
		AgeBand: cs.Patient.AgeBand, Sex: cs.Patient.Sex, Hindsight: cs.Hindsight, Discretion: cs.Discretion, Status: string(cs.Status),
		Audience: audienceOf(cs.Consent), Obtained: cs.Consent.Obtained, Reference: cs.Consent.Reference, Withdrawn: cs.Consent.Withdrawn}
	p := s.detailsForm(c, cs.ID, cs.Rev, f, nil)
	p.Removing = c.QueryParam("remove") != ""
	return s.render(c, http.StatusOK, p)
}

func (s *server) removeCase(c echo.Context) error {
	rev, err := ifRev(c)
	if err != nil {
		return err
	}
	if err := s.Library.DropCase(c.Request().Context(), who(c).viewer, c.Param("id"), rev); err != nil {
		return err
	}
	return c.Redirect(http.StatusSeeOther, "/?done=gone")
}

func (s *server) detailsForm(c echo.Context, id string, rev uint64, f web.DetailsForm, ps web.Problems) web.DetailsPage {
	p := web.DetailsPage{Base: s.base(c, "Details of the case"), CaseID: id, Rev: rev, Form: f, Problems: ps}
	for _, x := range s.Library.Vocabulary.All() {
		if strings.HasPrefix(x.ID, "st.proc") {
			p.Suggest = append(p.Suggest, x.Term)
		}
	}
	return p
}

func (s *server) saveDetails(c echo.Context) error {
	r, err := s.released(c)
	if err != nil {
		return err
	}
	rev, err := ifRev(c)
	if err != nil {
		return err
	}
	cs, f := r.Case(), readDetailsForm(c)
	ps := s.applyDetails(&cs, f)
	if len(ps) == 0 {
		_, _, err = s.Library.PutHead(c.Request().Context(), who(c).viewer, cs, rev)
		if err == nil {
			if cs.Consent.Withdrawn != "" {
				return c.Redirect(http.StatusSeeOther, "/?done=details")
			}
			return c.Redirect(http.StatusSeeOther, "/cases/"+url.PathEscape(cs.ID)+"?done=details")
		}
		if ps, err = wrongs(err); err != nil {
			return err
		}
	}
	return s.render(c, http.StatusUnprocessableEntity, s.detailsForm(c, cs.ID, rev, f, ps))
}

func readDetailsForm(c echo.Context) web.DetailsForm {
	text := func(name string) string {
		return strings.TrimSpace(strings.ReplaceAll(c.FormValue(name), "\r\n", "\n"))
	}
	return web.DetailsForm{CaseTitle: text("title"), Summary: text("summary"), Procedure: text("procedure"), Surgeon: text("surgeon"), Eye: text("eye"),
		AgeBand: text("patient.age_band"), Sex: text("patient.sex"), Hindsight: text("hindsight"), Discretion: c.FormValue("discretion") != "",
		Status: text("status"), Audience: text("consent.audience"), Obtained: text("consent.obtained"), Reference: text("consent.reference"),
		Withdrawn: text("consent.withdrawn")}
}

// applyDetails puts what the form says into the case; what cannot be read is
// said beside its field.
func (s *server) applyDetails(cs *annotate.Case, f web.DetailsForm) web.Problems {
	ps := web.Problems{}
	cs.Title, cs.Summary, cs.Surgeon, cs.Eye, cs.Hindsight = f.CaseTitle, f.Summary, f.Surgeon, f.Eye, f.Hindsight
	if f.Procedure != s.label(cs.Procedure) {
		cs.Procedure = annotate.Term{Words: f.Procedure}
	}
	cs.Patient, cs.Discretion, cs.Status = annotate.Patient{AgeBand: f.AgeBand, Sex: f.Sex}, f.Discretion, annotate.Status(f.Status)
	cs.Consent = annotate.Consent{Obtained: f.Obtained, Reference: f.Reference, Withdrawn: f.Withdrawn}
	if f.Audience != "" {
		if err := cs.Consent.Audience.UnmarshalText([]byte(f.Audience)); err != nil {
			ps.Add("consent.audience", err.Error())
		}
	}
	return ps
}

func (s *server) addPage(c echo.Context) error {
	return s.render(c, http.StatusOK, s.addForm(c, web.AddForm{}, nil))
}

func (s *server) addForm(c echo.Context, f web.AddForm, ps web.Problems) web.AddPage {
	return web.AddPage{Base: s.base(c, "Add a case"), Form: f, MaxFilm: fmt.Sprintf("%d GB", s.MaxFilm>>30), Problems: ps}
}

func (s *server) addCase(c echo.Context) error {
	ctx, v := c.Request().Context(), who(c).viewer
	f := web.AddForm{CaseTitle: c.FormValue("title"), Upload: c.FormValue("upload")}
	u := library.Upload{Title: f.CaseTitle}
	again := func(field string, err error) error {
		fault, ok := errors.AsType[*annotate.Fault](err)
		if !ok {
			return err
		}
		return s.render(c, http.StatusUnprocessableEntity, s.addForm(c, f, web.Problems{field: {fault.Say}}))
	}
	var err error
	if u.CaseFile, err = formFile(c, "case_yaml"); err != nil {
		return again("case_yaml", err)
	}
	if u.Captions, err = formFile(c, "captions"); err != nil {
		return again("captions", err)
	}
	id := ""
	if f.Upload != "" {
		id = path.Base(f.Upload)
		file, err := s.Uploads.Finished(ctx, id, v.Account)
		if err != nil {
			return again("film", annotate.Faultf(annotate.Missing, "The upload is not there any more, or not finished. Choose the film again; what had arrived is used."))
		}
		u.Film, f.FileName = file.Path, file.Name
	} else if u.Film, err = s.spool(c); err != nil {
		return again("film", err)
	} else if u.Film != "" {
		defer os.Remove(u.Film) // gone already where the vault has taken it
	}
	added, err := s.Library.AddUpload(ctx, v, u)
	if err != nil {
		ps, err := wrongs(err)
		if err != nil {
			return err
		}
		if id != "" && len(ps["film"]) > 0 { // a film that is none need not wait for a better form
			s.discard(ctx, id)
			f.Upload, f.FileName = "", ""
		}
		return s.render(c, http.StatusUnprocessableEntity, s.addForm(c, f, ps))
	}
	if id != "" {
		s.discard(ctx, id)
	}
	return c.Redirect(http.StatusSeeOther, "/cases/"+url.PathEscape(added.ID)+"?done=added")
}

// formFile reads a small file of a form; nil where none was chosen.
func formFile(c echo.Context, name string) ([]byte, error) {
	h, err := c.FormFile(name)
	if errors.Is(err, http.ErrMissingFile) || errors.Is(err, http.ErrNotMultipart) || err == nil && h.Size == 0 {
		return nil, nil
	}
	if err != nil {
		return nil, annotate.Faultf(annotate.Invalid, "The file did not arrive whole; send it again.")
	}
	f, err := h.Open()
	if err != nil {
		return nil, err
	}
	defer f.Close()
	return io.ReadAll(io.LimitReader(f, 6<<20))
}

// spool writes the film of a form to a file that the library may take over.
func (s *server) spool(c echo.Context) (string, error) {
	h, err := c.FormFile("film")
	if errors.Is(err, http.ErrMissingFile) || errors.Is(err, http.ErrNotMultipart) || err == nil && h.Size == 0 {
		return "", nil
	}
	if err != nil {
		return "", annotate.Faultf(annotate.Invalid, "The film did not arrive whole, or is larger than a plain form carries. Allow scripts for this page, so that it is sent in parts.")
	}
	f, err := h.Open()
	if err != nil {
		return "", err
	}
	defer f.Close()
	out, err := os.CreateTemp(s.Spool, "form-*")
	if err != nil {
		return "", err
	}
	if _, err := io.Copy(out, f); err != nil {
		out.Close()
		os.Remove(out.Name())
		if errors.Is(err, syscall.ENOSPC) || errors.Is(err, syscall.EDQUOT) {
			return "", annotate.Faultf(annotate.Busy, "The film was not kept: the disk that holds the library is full. Make room there, then send the film again.")
		}
		return "", fmt.Errorf("keep the film of a form: %w", err)
	}
	return out.Name(), out.Close()
}

func (s *server) helpPage(c echo.Context) error {
	return s.render(c, http.StatusOK, web.HelpPage{Base: s.base(c, "Help"), Formats: exportsOf(annotate.Consent{Audience: annotate.OwnUnit})})
}
