package app

import (
	"bytes"
	"net/http"
	"os"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"github.com/santhosh-tekuri/jsonschema/v6"

	"sideport/server/internal/httpd"
)

// description is the server's own, ready to hold answers against.
type description struct {
	doc   map[string]any
	paths map[string]*regexp.Regexp
	c     *jsonschema.Compiler
	used  map[string]bool
}

const specAt = "http://sideport/openapi.json"

func describe(t *testing.T, s *stack) *description {
	t.Helper()
	a := s.do(ask{method: "GET", path: "/api/openapi.json"}).want(200)
	v, err := jsonschema.UnmarshalJSON(bytes.NewReader(a.body))
	if err != nil {
		t.Fatal(err)
	}
	d := &description{doc: v.(map[string]any), paths: map[string]*regexp.Regexp{}, c: jsonschema.NewCompiler(), used: map[string]bool{}}
	d.c.DefaultDraft(jsonschema.Draft2020)
	if err := d.c.AddResource(specAt, v); err != nil {
		t.Fatal(err)
	}
	for p := range d.doc["paths"].(map[string]any) {
		d.paths[p] = regexp.MustCompile("^" + regexp.MustCompile(`\\\{[a-z]+\\\}`).ReplaceAllString(regexp.QuoteMeta(p), `[^/]+`) + "$")
	}
	return d
}

// operation finds what is said of a request; the most literal path counts.
func (d *description) operation(r *http.Request) (path string, op map[string]any) {
	for p, re := range d.paths {
		if re.MatchString(r.URL.EscapedPath()) && (path == "" || strings.Count(p, "{") < strings.Count(path, "{")) {
			path = p
		}
	}
	method := strings.ToLower(r.Method)
	if method == "head" {
		method = "get"
	}
	item, _ := d.doc["paths"].(map[string]any)[path].(map[string]any)
	op, _ = item[method].(map[string]any)
	return path, op
}

// hold fails the test where an answer of the API is not as described.
func (d *description) hold(t *testing.T, r *http.Request, a answer) {
	t.Helper()
	if !strings.HasPrefix(r.URL.Path, "/api/") {
		return
	}
	media, _, _ := strings.Cut(a.header.Get("Content-Type"), ";")
	path, op := d.operation(r)
	if op == nil { // no such address, or not that method
		if media != "application/problem+json" && r.Method != http.MethodHead && r.Method != http.MethodOptions {
			t.Errorf("%s: %d as %q, want a problem", a.what, a.status, media)
		}
		return
	}
	method := strings.ToLower(r.Method)
	res, _ := op["responses"].(map[string]any)[strconv.Itoa(a.status)].(map[string]any)
	if res == nil {
		t.Errorf("%s: %d is not described: %.300s", a.what, a.status, a.body)
		return
	}
	if res["headers"] != nil && a.header.Get("ETag") == "" {
		t.Errorf("%s: no ETag", a.what)
	}
	content, _ := res["content"].(map[string]any)
	if content["*/*"] != nil || method == "head" || a.status == http.StatusNoContent {
		return
	}
	if content[media] == nil {
		t.Errorf("%s: %d as %q is not described", a.what, a.status, media)
		return
	}
	d.used[r.Method+" "+path] = d.used[r.Method+" "+path] || a.status < 300
	if content[media].(map[string]any)["schema"] == nil {
		return
	}
	at := specAt + "#" + strings.Join([]string{"/paths", pointer(path), method, "responses", strconv.Itoa(a.status), "content", pointer(media), "schema"}, "/")
	schema, err := d.c.Compile(at)
	if err != nil {
		t.Fatal(err)
	}
	v, err := jsonschema.UnmarshalJSON(bytes.NewReader(a.body))
	if err != nil {
		t.Fatalf("%s: %v", a.what, err)
	}
	if err := schema.Validate(v); err != nil {
		t.Errorf("%s: %d is not as described: %v\n%.1000s", a.what, a.status, err, a.body)
	}
}

// pointer escapes a key for a JSON pointer in the fragment of an address.
func pointer(key string) string {
	return strings.NewReplacer("~", "~0", "/", "~1", "{", "%7B", "}", "%7D", "+", "%2B").Replace(key)
}

func TestDescriptionIsOpenAPI(t *testing.T) {
	s := newStack(t)
	b, err := os.ReadFile("testdata/openapi-3.1.schema.json")
	if err != nil {
		t.Fatal(err)
	}
	official, err := jsonschema.UnmarshalJSON(bytes.NewReader(b))
	if err != nil {
		t.Fatal(err)
	}
	c := jsonschema.NewCompiler()
	if err := c.AddResource("http://sideport/official", official); err != nil {
		t.Fatal(err)
	}
	schema, err := c.Compile("http://sideport/official")
	if err != nil {
		t.Fatal(err)
	}
	if err := schema.Validate(s.spec.doc); err != nil {
		t.Error(err)
	}
	// The official schema leaves the schemas within to JSON Schema itself.
	for name := range s.spec.doc["components"].(map[string]any)["schemas"].(map[string]any) {
		if _, err := s.spec.c.Compile(specAt + "#/components/schemas/" + name); err != nil {
			t.Errorf("schema %s: %v", name, err)
		}
	}
}

func TestDescriptionHoldsEveryRouteAndNothingElse(t *testing.T) {
	s := newStack(t)
	described := map[string]bool{}
	ids := map[string]string{}
	for path, item := range s.spec.doc["paths"].(map[string]any) {
		for method, op := range item.(map[string]any) {
			what := strings.ToUpper(method) + " " + path
			described[what] = true
			id, _ := op.(map[string]any)["operationId"].(string)
			if id == "" || ids[id] != "" {
				t.Errorf("%s has the operationId %q, as has %q", what, id, ids[id])
			}
			ids[id] = what
		}
	}
	for _, r := range httpd.Routes() {
		if !strings.HasPrefix(r.Path, "/api/") || r.Method == http.MethodHead {
			continue
		}
		what := r.Method + " " + regexp.MustCompile(`:([a-z]+)`).ReplaceAllString(r.Path, "{$1}")
		if !described[what] {
			t.Errorf("%s is not described", what)
		}
		delete(described, what)
	}
	for what := range described {
		t.Errorf("%s is described and not there", what)
	}
}
