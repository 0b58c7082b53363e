package httpd

import (
	"encoding"
	"encoding/json"
	"fmt"
	"net/http"
	"reflect"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"sideport/annotate"
	"sideport/index"
	"sideport/server/internal/library"
)

// doc is what the description of the API says of one operation. Schemas are
// read off the Go types that the handlers really send and receive, so that the
// two cannot differ.
type doc struct {
	summary string
	query   []param
	body    any   // a value of the type that is read; nil: none; a string: its media type
	status  int   // of the good answer
	answer  any   // a value of the type that is sent; nil: none; a string: its media type
	etag    bool  // the answer carries an ETag
	match   bool  // the request carries If-Match
	faults  []int // besides 401, 403 and 500
}

type param struct {
	name, about string
	many        bool
}

// Answers that are lists under one name.
type (
	formatsJSON struct {
		Formats []formatJSON `json:"formats"`
	}
	kindsJSON struct {
		Kinds []kindJSON `json:"kinds"`
	}
	termsJSON struct {
		Terms []conceptJSON `json:"terms"`
	}
	suggestionsJSON struct {
		Suggestions []string `json:"suggestions"`
	}
	jobsJSON struct {
		Jobs []JobJSON `json:"jobs"`
	}
	captionsJSON struct {
		Rev      uint64             `json:"rev"` // of the case
		Cues     int                `json:"cues"`
		Problems []annotate.Problem `json:"problems"`
	}
	versionJSON struct {
		Name    string `json:"name"`
		Version string `json:"version"`
	}
)

// headRequest is what PUT of a case takes: what is sent takes the place of what
// was, as a whole; what is not sent stays. Notes, recordings and stills have
// addresses of their own.
type headRequest struct {
	Title      *string             `json:"title,omitempty"`
	Summary    *string             `json:"summary,omitempty"`
	Specialty  *string             `json:"specialty,omitempty"`
	Procedure  *annotate.Term      `json:"procedure,omitempty"`
	Surgeon    *string             `json:"surgeon,omitempty"`
	Eye        *string             `json:"eye,omitempty"`
	Patient    *annotate.Patient   `json:"patient,omitempty"`
	Factors    *[]annotate.Factor  `json:"factors,omitempty"`
	Plan       *[]annotate.Plan    `json:"plan,omitempty"`
	Hindsight  *string             `json:"hindsight,omitempty"`
	Outcome    *[]annotate.Outcome `json:"outcome,omitempty"`
	Consent    *annotate.Consent   `json:"consent,omitempty"`
	Discretion *bool               `json:"discretion,omitempty"`
	Status     *annotate.Status    `json:"status,omitempty"`
}

func (q headRequest) change(c *annotate.Case) {
	set(&c.Title, q.Title)
	set(&c.Summary, q.Summary)
	set(&c.Specialty, q.Specialty)
	set(&c.Procedure, q.Procedure)
	set(&c.Surgeon, q.Surgeon)
	set(&c.Eye, q.Eye)
	set(&c.Patient, q.Patient)
	set(&c.Factors, q.Factors)
	set(&c.Plan, q.Plan)
	set(&c.Hindsight, q.Hindsight)
	set(&c.Outcome, q.Outcome)
	set(&c.Consent, q.Consent)
	set(&c.Discretion, q.Discretion)
	set(&c.Status, q.Status)
}

func set[T any](to, sent *T) {
	if sent != nil {
		*to = *sent
	}
}

// noteRequest is a note as it is sent: its id stands in the address, its rev in
// If-Match.
type noteRequest struct {
	Kind      string                   `json:"kind"`
	Recording string                   `json:"recording,omitempty"` // "" is the first
	Span      annotate.Span            `json:"span"`
	Term      annotate.Term            `json:"term,omitzero"`
	Words     string                   `json:"words,omitempty"`
	Fields    map[string]annotate.Fact `json:"fields,omitempty"`
	State     annotate.State           `json:"state,omitempty"` // inked where nothing is said
}

var searchParams = append([]param{
	{"q", "words to search for; \"quoted\" for a phrase, -word to leave out", false},
	{asWritten, "concept of a reading that is switched off", true},
	{"sort", "order of the cases", false}, {"page", "page of the answer, from 1", false}, {"limit", "cases on a page, 1 to 100", false},
}, facetParams()...)

// facetParams are those that narrow a search, one for each facet.
func facetParams() []param {
	var out []param
	for _, f := range index.FacetIDs() {
		out = append(out, param{f, "narrow by values of this facet; several are any of them", true})
	}
	return out
}

// docs has a row for each API route.
var docs = map[string]doc{
	"GET /api/openapi.json":                             {summary: "This description", status: 200, answer: "application/json"},
	"GET /api/version":                                  {summary: "Name and version of this program", status: 200, answer: versionJSON{}},
	"GET /api/cases":                                    {summary: "Search, or list the library", query: searchParams, status: 200, answer: foundJSON{}, faults: []int{422}},
	"POST /api/cases":                                   {summary: "Bring in a case", body: addRequest{}, status: 201, answer: library.Added{}, faults: []int{404, 422, 503}},
	"GET /api/cases/:id":                                {summary: "A case with all its notes", status: 200, answer: caseJSON{}, etag: true, faults: []int{404}},
	"PUT /api/cases/:id":                                {summary: "Change what a case says of itself", body: headRequest{}, status: 200, answer: changed{}, etag: true, match: true, faults: []int{404, 422}},
	"DELETE /api/cases/:id":                             {summary: "Remove a case and its films", status: 204, match: true, faults: []int{404}},
	"POST /api/cases/:id/notes":                         {summary: "Add a note", body: noteRequest{}, status: 201, answer: noteAnswer{}, etag: true, faults: []int{404, 422}},
	"PUT /api/cases/:id/notes/:note":                    {summary: "Change a note", body: noteRequest{}, status: 200, answer: noteAnswer{}, etag: true, match: true, faults: []int{404, 422}},
	"DELETE /api/cases/:id/notes/:note":                 {summary: "Remove a note", status: 204, match: true, faults: []int{404}},
	"PUT /api/cases/:id/recordings/:rec/captions/:lang": {summary: "Replace the captions of a recording in one language; an empty body removes them", body: "text/vtt", status: 200, answer: captionsJSON{}, etag: true, match: true, faults: []int{404, 422}},
	"GET /api/cases/:id/export/:format":                 {summary: "A case in an export format", query: []param{{"audience", "own unit, professionals or public; the consent has to reach it", false}, {"recording", "which film, for formats of one", false}}, status: 200, answer: "*/*", faults: []int{404, 422, 503}},
	"GET /api/formats":                                  {summary: "The export formats", status: 200, answer: formatsJSON{}},
	"GET /api/kinds":                                    {summary: "The kinds of notes and their fields", status: 200, answer: kindsJSON{}},
	"GET /api/terms":                                    {summary: "Concepts of the vocabulary by the beginning of a name", query: []param{{"q", "beginning of a name", false}, {"kind", "kind of concept", true}}, status: 200, answer: termsJSON{}},
	"GET /api/suggest":                                  {summary: "Completions of a search", query: []param{{"q", "what has been typed", false}}, status: 200, answer: suggestionsJSON{}},
	"GET /api/jobs":                                     {summary: "Long work: waiting, under way, failed", status: 200, answer: jobsJSON{}},
	"POST /api/check":                                   {summary: "Hold store, files and index against one another", status: 200, answer: library.Report{}},
	"POST /api/reindex":                                 {summary: "Build the search index anew", status: 200, answer: library.Report{}},
	"GET /api/backup":                                   {summary: "The whole library in one archive", status: 200, answer: "application/x-tar"},
}

type object = map[string]any

// describe writes the OpenAPI 3.1 description of the routes.
func describe(routes []route, version string) ([]byte, error) {
	g := &schemas{seen: object{}, types: map[string]reflect.Type{}}
	paths := map[string]object{}
	for _, r := range routes {
		d, ok := docs[r.method+" "+r.path]
		if !r.api() || !ok {
			continue
		}
		path := colon.ReplaceAllString(r.path, "{$1}")
		if paths[path] == nil {
			paths[path] = object{}
		}
		paths[path][strings.ToLower(r.method)] = g.operation(r, d)
	}
	if g.err != nil {
		return nil, g.err
	}
	return json.MarshalIndent(object{
		"openapi": "3.1.0",
		"info": object{"title": "Sideport", "version": version,
			"description": "A teaching library of operations. Times are seconds on the case clock. For education; not a medical device."},
		"paths": paths,
		"components": object{"schemas": g.seen, "securitySchemes": object{
			"session": object{"type": "apiKey", "in": "cookie", "name": cookieName},
			"token":   object{"type": "http", "scheme": "bearer", "description": "of this machine's own commands"}}},
	}, "", " ")
}

var colon = regexp.MustCompile(`:([a-z]+)`)

func (g *schemas) operation(r route, d doc) object {
	op := object{"summary": d.summary, "operationId": operationID(r), "responses": g.responses(r, d)}
	var params []object
	for _, m := range colon.FindAllStringSubmatch(r.path, -1) {
		params = append(params, object{"name": m[1], "in": "path", "required": true, "schema": object{"type": "string"}})
	}
	for _, q := range d.query {
		schema := object{"type": "string"}
		if q.many {
			schema = object{"type": "array", "items": schema}
		}
		params = append(params, object{"name": q.name, "in": "query", "description": q.about, "schema": schema})
	}
	if d.match {
		params = append(params, object{"name": "If-Match", "in": "header", "required": true, "description": "the ETag that was read, or *", "schema": object{"type": "string"}})
	}
	if params != nil {
		op["parameters"] = params
	}
	if d.body != nil {
		op["requestBody"] = object{"required": true, "content": g.content(d.body)}
	}
	if r.who != "" {
		op["security"] = []object{{"session": []string{}}, {"token": []string{}}}
		op["description"] = "Needs the role of " + string(r.who) + " or a wider one."
	}
	return op
}

func operationID(r route) string {
	id := strings.ToLower(r.method)
	for _, p := range strings.FieldsFunc(strings.TrimPrefix(r.path, "/api"), func(c rune) bool { return c == '/' || c == '.' }) {
		p = strings.TrimPrefix(p, ":")
		id += strings.ToUpper(p[:1]) + p[1:]
	}
	return id
}

func (g *schemas) responses(r route, d doc) object {
	good := object{"description": d.summary}
	if d.answer != nil {
		good["content"] = g.content(d.answer)
	}
	if d.etag {
		good["headers"] = object{"ETag": object{"description": "to be sent back as If-Match", "schema": object{"type": "string"}}}
	}
	out := object{strconv.Itoa(d.status): good}
	faults := slices.Concat(d.faults, []int{500})
	if r.who != "" {
		faults = append(faults, 401, 403)
	}
	if d.body != nil {
		faults = append(faults, 413)
	}
	if d.match {
		faults = append(faults, 412, 428)
	}
	for _, code := range faults {
		out[strconv.Itoa(code)] = object{"description": http.StatusText(code), "content": object{"application/problem+json": object{"schema": g.of(reflect.TypeFor[problemDetail]())}}}
	}
	return out
}

func (g *schemas) content(v any) object {
	if media, ok := v.(string); ok {
		return object{media: object{}}
	}
	return object{"application/json": object{"schema": g.of(reflect.TypeOf(v))}}
}

// schemas turns Go types into JSON Schema 2020-12, each named type once.
type schemas struct {
	seen  object                  // by name
	types map[string]reflect.Type // beside seen
	err   error
}

var (
	textMarshaler = reflect.TypeFor[encoding.TextMarshaler]()
	timeType      = reflect.TypeFor[annotate.Time]()
	rawType       = reflect.TypeFor[json.RawMessage]()
)

func (g *schemas) of(t reflect.Type) object {
	switch {
	case t == timeType:
		return object{"type": "number", "description": "seconds"}
	case t == rawType:
		return object{}
	case t == reflect.TypeFor[annotate.Audience]():
		return object{"type": "string", "enum": []string{"nobody", "own unit", "professionals", "public"}}
	case t.Implements(textMarshaler):
		return object{"type": "string"}
	}
	switch t.Kind() {
	case reflect.Pointer:
		return g.of(t.Elem())
	case reflect.Bool:
		return object{"type": "boolean"}
	case reflect.String:
		return object{"type": "string"}
	case reflect.Float64:
		return object{"type": "number"}
	case reflect.Slice:
		return object{"type": "array", "items": g.of(t.Elem())}
	case reflect.Map:
		return object{"type": "object", "additionalProperties": g.of(t.Elem())}
	case reflect.Struct:
		return g.structure(t)
	}
	return object{"type": "integer"}
}

func (g *schemas) structure(t reflect.Type) object {
	name := strings.ToUpper(t.Name()[:1]) + strings.TrimSuffix(t.Name(), "JSON")[1:]
	ref := object{"$ref": "#/components/schemas/" + name}
	if was := g.types[name]; was != nil {
		if was != t {
			g.err = fmt.Errorf("describe the API: %v and %v are both called %s", was, t, name)
		}
		return ref
	}
	g.types[name] = t
	s := object{"type": "object", "additionalProperties": false}
	g.seen[name] = s
	props, required := object{}, []string{}
	g.fields(t, props, &required)
	s["properties"] = props
	if len(required) > 0 {
		slices.Sort(required)
		s["required"] = required
	}
	return ref
}

// fields goes through a struct as encoding/json does: what may be left out is
// not required, and what is embedded is spread.
func (g *schemas) fields(t reflect.Type, props object, required *[]string) {
	for f := range fieldsOf(t) {
		tag, opts, _ := strings.Cut(f.Tag.Get("json"), ",")
		if f.Anonymous && tag == "" {
			g.fields(f.Type, props, required)
			continue
		}
		if tag == "" {
			tag = f.Name
		}
		schema := g.of(f.Type)
		props[tag] = schema
		if !strings.Contains(opts, "omit") {
			*required = append(*required, tag)
		}
	}
}

func fieldsOf(t reflect.Type) func(func(reflect.StructField) bool) {
	return func(yield func(reflect.StructField) bool) {
		for i := range t.NumField() {
			if f := t.Field(i); (f.IsExported() || f.Anonymous) && f.Tag.Get("json") != "-" && !yield(f) {
				return
			}
		}
	}
}
