package httpd

import (
	"net/http"
	"strings"

	"github.com/labstack/echo/v4"

	"sideport/annotate/consent"
)

// route is a row of the table of contents: who == "" is open to all.
type route struct {
	method, path string
	who          consent.Role
	do           echo.HandlerFunc
}

// api says whether the route is part of the JSON API.
func (r route) api() bool { return strings.HasPrefix(r.path, "/api/") }

// Route is a row of the table of contents for those who hold it against the
// server or write it down.
type Route struct {
	Method, Path string
	Who          consent.Role // the least role that it takes; "" is open to all
}

// Routes lists the table of contents.
func Routes() []Route {
	var out []Route
	for _, r := range (&server{}).routes() {
		out = append(out, Route{r.method, r.path, r.who})
	}
	return out
}

func (s *server) routes() []route {
	const (
		get, post, put, del            = http.MethodGet, http.MethodPost, http.MethodPut, http.MethodDelete
		open                           = consent.Role("")
		reads, writes, looksAfterItAll = consent.Trainee, consent.Curator, consent.Steward
	)
	list := []route{
		{get, "/", reads, s.libraryPage},
		{get, "/cases/:id", reads, s.recordPage},
		{get, "/cases/:id/details", writes, s.detailsPage},
		{post, "/cases/:id/details", writes, s.saveDetails},
		{post, "/cases/:id/remove", writes, s.removeCase},
		{get, "/cases/:id/notes/new", writes, s.newNotePage},
		{post, "/cases/:id/notes", writes, s.saveNote},
		{get, "/cases/:id/notes/:note", writes, s.notePage},
		{post, "/cases/:id/notes/:note", writes, s.saveNote},
		{post, "/cases/:id/notes/:note/delete", writes, s.deleteNote},
		{get, "/add", writes, s.addPage},
		{post, "/add", writes, s.addCase},
		{get, "/help", open, s.helpPage},
		{get, "/sign-in", open, s.signInPage},
		{post, "/sign-in", open, s.signIn},
		{post, "/sign-out", open, s.signOut},

		{get, "/cases/:id/recordings/:rec/film", reads, s.film},
		{get, "/cases/:id/recordings/:rec/poster.jpg", reads, s.poster},
		{get, "/cases/:id/recordings/:rec/stages/:name", reads, s.stageStill},
		{get, "/cases/:id/recordings/:rec/captions/:name", reads, s.captions},
		{get, "/cases/:id/recordings/:rec/chapters.vtt", reads, s.chapters},
		{get, "/cases/:id/stills/:name", reads, s.still},
		{get, "/cases/:id/export/:format", reads, s.export},
		{get, "/static/:name", open, s.static},
		{get, "/healthz", open, s.health},

		{get, "/api/openapi.json", open, s.openAPI},
		{get, "/api/version", open, s.apiVersion},
		{get, "/api/cases", reads, s.apiFind},
		{post, "/api/cases", writes, s.apiAdd},
		{get, "/api/cases/:id", reads, s.apiCase},
		{put, "/api/cases/:id", writes, s.apiPutHead},
		{del, "/api/cases/:id", writes, s.apiDropCase},
		{post, "/api/cases/:id/notes", writes, s.apiAddNote},
		{put, "/api/cases/:id/notes/:note", writes, s.apiPutNote},
		{del, "/api/cases/:id/notes/:note", writes, s.apiDropNote},
		{put, "/api/cases/:id/recordings/:rec/captions/:lang", writes, s.apiPutCaptions},
		{get, "/api/cases/:id/export/:format", reads, s.export},
		{get, "/api/formats", reads, s.apiFormats},
		{get, "/api/kinds", reads, s.apiKinds},
		{get, "/api/terms", reads, s.apiTerms},
		{get, "/api/suggest", reads, s.apiSuggest},
		{get, "/api/jobs", writes, s.apiJobs},
		{post, "/api/check", looksAfterItAll, s.apiCheck},
		{post, "/api/reindex", looksAfterItAll, s.apiReindex},
		{get, "/api/backup", looksAfterItAll, s.apiBackup},
	}
	for _, m := range []string{post, http.MethodHead, http.MethodPatch, del, http.MethodOptions} {
		list = append(list, route{m, "/uploads/", writes, s.uploads}, route{m, "/uploads/:id", writes, s.uploads})
	}
	// A HEAD is a GET without the body, for films and files above all.
	for _, r := range list {
		if r.method == get {
			list = append(list, route{http.MethodHead, r.path, r.who, r.do})
		}
	}
	return list
}
