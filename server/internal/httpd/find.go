package httpd

import (
	"cmp"
	"mime"
	"net/http"
	"net/url"
	"slices"
	"strconv"

	"github.com/labstack/echo/v4"

	"sideport/annotate"
	"sideport/annotate/consent"
	"sideport/index"
	"sideport/server/internal/library"
	"sideport/web"
)

// perPage is how many cases a page of the library shows.
const perPage = 20

// asWritten is the query parameter that switches a reading of the query off.
const asWritten = "as-written"

// queryOf reads a search from an address; it is the same for pages, API and commands.
func queryOf(c echo.Context) (q index.Query, page int) {
	v := c.QueryParams()
	q = index.Query{Words: v.Get("q"), Filters: map[string][]string{}, Sort: v.Get("sort"), Off: v[asWritten], Limit: perPage}
	if n, err := strconv.Atoi(v.Get("limit")); err == nil && n > 0 && n <= 100 {
		q.Limit = n
	}
	page, _ = strconv.Atoi(v.Get("page"))
	page = max(1, min(page, 10_000))
	q.Offset = (page - 1) * q.Limit
	for _, f := range index.FacetIDs() {
		if len(v[f]) > 0 {
			q.Filters[f] = v[f]
		}
	}
	return q, page
}

func (s *server) libraryPage(c echo.Context) error {
	ctx, v := c.Request().Context(), who(c).viewer
	q, page := queryOf(c)
	found, err := s.Library.Find(ctx, v, q)
	if err != nil {
		return err
	}
	params := c.QueryParams()
	pager := pagerOf(params, page, (found.Total+q.Limit-1)/q.Limit)
	if page > pager.Pages && pager.Pages > 0 {
		return c.Redirect(http.StatusSeeOther, pager.Previous) // cases have gone since
	}
	all := found
	if q.Words != "" || len(q.Filters) > 0 {
		if all, err = s.Library.Find(ctx, v, index.Query{}); err != nil {
			return err
		}
	}
	p := web.LibraryPage{Base: s.base(c, "The library"), Query: q.Words, Total: found.Total, Of: all.Total}
	for _, r := range found.Understood {
		p.Read = append(p.Read, web.Reading{ID: r.Concept, Words: r.Words, As: r.Label, Off: r.Off, Href: toggled(params, asWritten, r.Concept)})
	}
	p.Facets = facetsOf(found.Facets)
	p.Sorts = sortsOf(q)
	if len(q.Filters) > 0 {
		p.AllHref = without(params, index.FacetIDs()...)
	}
	for i, r := range found.Cases {
		row, err := s.row(c, r, found.Hits[i])
		if err != nil {
			return err
		}
		p.Moments += len(found.Hits[i].Moments)
		p.Rows = append(p.Rows, row)
	}
	p.Pager = pager
	if found.Total == 0 {
		p.Try = tries
	}
	return s.render(c, http.StatusOK, p)
}

// tries are searches that show what the box understands.
var tries = []web.Link{
	{Text: "loose bag horizontal chop", Href: "/?q=loose+bag+horizontal+chop"},
	{Text: "PXF small pupil", Href: "/?q=PXF+small+pupil"},
	{Text: "everything", Href: "/"},
}

func sortsOf(q index.Query) []web.Option {
	var out []web.Option
	for _, s := range index.Sorts() {
		out = append(out, web.Option{Value: s.ID, Label: s.Label, Chosen: s.ID == q.Sort})
	}
	return out
}

func facetsOf(fs []index.Facet) []web.Facet {
	var out []web.Facet
	for _, f := range fs {
		g := web.Facet{ID: f.ID, Label: f.Label}
		for _, v := range f.Values {
			g.Values = append(g.Values, web.FacetValue{Value: v.ID, Label: v.Label, Count: v.Count, Chosen: v.On})
		}
		if len(g.Values) > 0 {
			out = append(out, g)
		}
	}
	return out
}

// row shows a case of the library with the moments that a search found in it.
func (s *server) row(c echo.Context, r consent.Release, h index.Hit) (web.CaseRow, error) {
	cs := r.Case()
	made, err := s.Library.Prepared(c.Request().Context(), r)
	if err != nil {
		return web.CaseRow{}, err
	}
	row := web.CaseRow{ID: cs.ID, Title: cs.Title, Facts: s.shortFacts(cs), Length: cs.Length(), Discretion: cs.Discretion}
	if cs.Status != annotate.Published {
		row.Status = string(cs.Status)
	}
	if rec, ok := cs.Recording(""); ok {
		p := made[rec.ID]
		if p.Poster != "" {
			row.Poster = recordingHref(cs.ID, rec.ID) + "/poster.jpg"
		}
		if p.State == "waiting" || p.State == "working" {
			row.Preparing = "The film is being prepared."
		}
		row.Stages = s.stagesOf(cs, rec.ID)
	}
	for _, f := range cs.Factors {
		row.Factors = append(row.Factors, web.Tag{Name: s.label(f.Term), Grade: f.Grade})
	}
	for _, m := range h.Moments {
		row.Best = append(row.Best, momentOf(m))
	}
	slices.SortStableFunc(row.Best, func(a, b web.Moment) int {
		switch {
		case a.Untimed == b.Untimed:
			return cmp.Compare(a.At, b.At)
		case a.Untimed:
			return 1
		}
		return -1
	})
	return row, nil
}

func momentOf(m index.Moment) web.Moment {
	out := web.Moment{At: m.At, Recording: m.Recording, Kind: kindName(m.Kind), Untimed: m.Note == "" && m.Kind != "caption"}
	for _, p := range m.Text {
		out.Words = append(out.Words, web.Run{Text: p.Text, Hit: p.Hit})
	}
	return out
}

func kindName(id string) string {
	if k, ok := annotate.KindOf(id); ok {
		return k.Name
	}
	return id
}

func (s *server) shortFacts(c annotate.Case) []string {
	var out []string
	add := func(t string) {
		if t != "" {
			out = append(out, t)
		}
	}
	add(s.label(c.Procedure))
	if c.Eye != "" {
		add(c.Eye + " eye")
	}
	if c.Patient.AgeBand != "" {
		add("age " + c.Patient.AgeBand)
	}
	add(c.Surgeon)
	return out
}

// label gives a term in words.
func (s *server) label(t annotate.Term) string { return s.Library.Vocabulary.Label(t) }

func recordingHref(caseID, rec string) string {
	return "/cases/" + url.PathEscape(caseID) + "/recordings/" + url.PathEscape(rec)
}

// toggled is the address of the same search with a value switched over.
func toggled(v url.Values, key, value string) string {
	w := clone(v)
	if i := slices.Index(w[key], value); i >= 0 {
		w[key] = slices.Delete(w[key], i, i+1)
	} else {
		w.Add(key, value)
	}
	w.Del("page")
	return "/?" + w.Encode()
}

func without(v url.Values, keys ...string) string {
	w := clone(v)
	for _, k := range keys {
		w.Del(k)
	}
	w.Del("page")
	return "/?" + w.Encode()
}

func clone(v url.Values) url.Values {
	w := url.Values{}
	for k, vs := range v {
		w[k] = slices.Clone(vs)
	}
	return w
}

func pagerOf(v url.Values, page, pages int) web.Pager {
	p := web.Pager{Page: page, Pages: pages}
	to := func(n int) string {
		w := clone(v)
		w.Set("page", strconv.Itoa(n))
		return "/?" + w.Encode()
	}
	if page > 1 {
		p.Previous = to(max(1, min(page-1, pages)))
	}
	if page < pages {
		p.Next = to(page + 1)
	}
	return p
}

func contentDisposition(how, name string) string {
	return mime.FormatMediaType(how, map[string]string{"filename": name})
}

// foundJSON is the API's answer to a search.
type foundJSON struct {
	Total      int             `json:"total"`
	Hits       []hitJSON       `json:"hits"`
	Facets     []index.Facet   `json:"facets"`
	Understood []index.Reading `json:"understood"`
}

type hitJSON struct {
	Case    string        `json:"case"`
	Title   string        `json:"title"`
	Length  annotate.Time `json:"length"`
	Score   float64       `json:"score"`
	Moments []momentJSON  `json:"moments"`
}

type momentJSON struct {
	Note      string        `json:"note,omitempty"`
	Kind      string        `json:"kind"`
	Recording string        `json:"recording,omitempty"`
	At        annotate.Time `json:"at"`
	Words     string        `json:"words"`
	Href      string        `json:"href"` // opens the film there
}

func (s *server) apiFind(c echo.Context) error {
	q, _ := queryOf(c)
	found, err := s.Library.Find(c.Request().Context(), who(c).viewer, q)
	if err != nil {
		return err
	}
	return c.JSON(http.StatusOK, findJSON(found))
}

func findJSON(found library.Found) foundJSON {
	out := foundJSON{Total: found.Total, Hits: []hitJSON{}, Facets: orEmpty(found.Facets), Understood: orEmpty(found.Understood)}
	for i, r := range found.Cases {
		cs, h := r.Case(), found.Hits[i]
		hit := hitJSON{Case: cs.ID, Title: cs.Title, Length: cs.Length(), Score: h.Score, Moments: []momentJSON{}}
		for _, m := range h.Moments {
			words := ""
			for _, p := range m.Text {
				words += p.Text
			}
			hit.Moments = append(hit.Moments, momentJSON{Note: m.Note, Kind: m.Kind, Recording: m.Recording, At: m.At, Words: words, Href: momentHref(cs.ID, m.Recording, m.At)})
		}
		out.Hits = append(out.Hits, hit)
	}
	return out
}

// momentHref is the address that opens the film at a moment.
func momentHref(caseID, rec string, at annotate.Time) string {
	if rec == "r1" {
		rec = "" // the first is shown unasked
	}
	return web.MomentURL(caseID, rec, at)
}

func orEmpty[T any](s []T) []T {
	if s == nil {
		return []T{}
	}
	return s
}
