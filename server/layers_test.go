package main

import (
	"go/parser"
	"go/token"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
)

// ours says what each folder may import of ours: itself and its children are
// always allowed where a pattern ends in "/...".
var ours = map[string][]string{
	"annotate":                {},
	"annotate/terms":          {"annotate"},
	"annotate/consent":        {"annotate"},
	"annotate/caption":        {"annotate"},
	"annotate/casefile":       {"annotate", "annotate/terms"},
	"annotate/export":         {"annotate", "annotate/..."},
	"index":                   {"annotate", "annotate/terms", "index/..."},
	"web":                     {"annotate"},
	"web/build":               {"web"},
	"sample":                  {"annotate"},
	"server":                  {"server/internal/app", "server/internal/config"},
	"server/internal/config":  {},
	"server/internal/vault":   {},
	"server/internal/store":   {"annotate"},
	"server/internal/media":   {"annotate"},
	"server/internal/jobs":    {"annotate"},
	"server/internal/upload":  {"annotate"},
	"server/internal/auth":    {"annotate", "annotate/consent"},
	"server/internal/library": {"annotate", "annotate/...", "index"},
	"server/internal/httpd":   {"annotate", "annotate/...", "index", "web", "server/internal/library", "server/internal/auth", "server/internal/upload"},
	"server/internal/app":     {"annotate", "annotate/...", "index", "web", "sample", "server/internal/..."},
	"server/e2e":              {"annotate", "annotate/...", "sample", "server/internal/app", "server/internal/config"},
}

// homes says in which one folder an outside library, or a part of the standard
// one that does things to the machine, may be imported.
var homes = map[string]string{
	"go.etcd.io/bbolt":             "server/internal/store",
	"github.com/blevesearch":       "index",
	"github.com/labstack/echo":     "server/internal/httpd",
	"github.com/tus/tusd":          "server/internal/upload",
	"golang.org/x/exp":             "server/internal/upload",
	"go.yaml.in/yaml":              "annotate/casefile",
	"github.com/evanw/esbuild":     "web/build",
	"github.com/chromedp":          "server/e2e",
	"golang.org/x/crypto":          "server/internal/auth",
	"golang.org/x/image":           "sample",
	"golang.org/x/text":            "index",
	"golang.org/x/net":             "web",
	"golang.org/x/sys":             "server/internal/media",
	"os/exec":                      "server/internal/media",
	"database/sql":                 "nowhere",
	"github.com/google/go-cmp":     "", // tests, anywhere
	"github.com/santhosh-tekuri":   "server/internal/app",
	"github.com/jba/templatecheck": "web",
}

// pure is what annotate and its children do without: the outside world.
var pure = []string{"os", "net", "net/http", "log", "log/slog", "math/rand", "math/rand/v2", "crypto/rand", "io/ioutil", "path/filepath"}

func TestImportsKeepTheLayers(t *testing.T) {
	root := ".."
	err := filepath.WalkDir(root, func(path string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		if d.IsDir() && (strings.HasPrefix(d.Name(), ".") && path != root || d.Name() == "node_modules" || d.Name() == "testdata" || d.Name() == "bin" || d.Name() == "data") {
			return fs.SkipDir
		}
		if strings.HasSuffix(path, ".go") {
			checkFile(t, root, path)
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
}

func checkFile(t *testing.T, root, path string) {
	t.Helper()
	f, err := parser.ParseFile(token.NewFileSet(), path, nil, parser.ImportsOnly)
	if err != nil {
		t.Fatal(err)
	}
	rel, _ := filepath.Rel(root, path)
	dir := filepath.ToSlash(filepath.Dir(rel))
	test := strings.HasSuffix(path, "_test.go")
	for _, i := range f.Imports {
		name, _ := strconv.Unquote(i.Path.Value)
		if err := allowed(dir, name, test); err != "" {
			t.Errorf("%s imports %s: %s", rel, name, err)
		}
	}
}

// allowed says why a folder may not import a package; "" when it may.
func allowed(dir, name string, test bool) string {
	if in, ok := strings.CutPrefix(name, "sideport/"); ok {
		row, of := rowOf(dir)
		if of == "" {
			return "the folder is not in the table of layers"
		}
		if in == of || strings.HasPrefix(in, of+"/") || slices.ContainsFunc(row, func(p string) bool { return matches(p, in) }) {
			return ""
		}
		// Tests may speak to the vocabulary and to the case file reader.
		if test && (in == "annotate/terms" || in == "annotate/casefile" || in == "annotate/caption" || in == "annotate/consent") {
			return ""
		}
		return "the table of layers does not allow it"
	}
	for lib, home := range homes {
		if (name == lib || strings.HasPrefix(name, lib+"/")) && home != "" && dir != home && !strings.HasPrefix(dir, home+"/") {
			if test && (lib == "os/exec" || lib == "golang.org/x/net") {
				return "" // tests run the built program, and read its pages
			}
			return "its home is " + home
		}
		if name == lib && home == "" && !test {
			return "it is for tests"
		}
	}
	if strings.HasPrefix(dir, "annotate") && !test && slices.Contains(pure, name) {
		return "annotate does nothing to the world"
	}
	if strings.Contains(strings.SplitN(name, "/", 2)[0], ".") && !slices.ContainsFunc(libraries(), func(l string) bool { return name == l || strings.HasPrefix(name, l+"/") }) {
		return "the library has no home in the table"
	}
	return ""
}

func rowOf(dir string) ([]string, string) {
	for d := dir; d != "."; d = filepath.ToSlash(filepath.Dir(d)) {
		if row, ok := ours[d]; ok {
			return row, d
		}
	}
	return nil, ""
}

func matches(pattern, name string) bool {
	if base, ok := strings.CutSuffix(pattern, "/..."); ok {
		return strings.HasPrefix(name, base+"/")
	}
	return pattern == name
}

func libraries() []string {
	var out []string
	for l := range homes {
		out = append(out, l)
	}
	return out
}

// The rule itself can fail.
func TestTheLayersRuleRefuses(t *testing.T) {
	for _, c := range []struct {
		dir, name string
		ok        bool
	}{
		{"annotate", "os", false},
		{"annotate", "sideport/index", false},
		{"annotate/export", "sideport/annotate/consent", true},
		{"web", "go.etcd.io/bbolt", false},
		{"web", "sideport/server/internal/store", false},
		{"server/internal/store", "go.etcd.io/bbolt", true},
		{"server/internal/store", "sideport/server/internal/vault", false},
		{"server/internal/httpd", "sideport/server/internal/store", false},
		{"server/internal/library", "os/exec", false},
		{"server/internal/store", "example.com/unknown", false},
		{"index/internal/analysis", "github.com/blevesearch/bleve/v2", true},
		{"somewhere", "sideport/annotate", false},
	} {
		if got := allowed(c.dir, c.name, false); (got == "") != c.ok {
			t.Errorf("%s importing %s: got %q, want allowed %v", c.dir, c.name, got, c.ok)
		}
	}
}

// Every package says what it is for.
func TestEveryPackageHasItsSentence(t *testing.T) {
	said := map[string]bool{}
	err := filepath.WalkDir("..", func(path string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		if d.IsDir() && (d.Name() == "node_modules" || d.Name() == "testdata" || strings.HasPrefix(d.Name(), ".") && path != "..") {
			return fs.SkipDir
		}
		if !strings.HasSuffix(path, ".go") || strings.HasSuffix(path, "_test.go") {
			return nil
		}
		f, err := parser.ParseFile(token.NewFileSet(), path, nil, parser.PackageClauseOnly|parser.ParseComments)
		if err != nil {
			return err
		}
		dir := filepath.Dir(path)
		said[dir] = said[dir] || f.Doc != nil
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	for dir, ok := range said {
		if !ok {
			t.Errorf("package in %s has no doc comment", dir)
		}
	}
}

// The top level holds what the house names, and nothing else.
func TestTopLevel(t *testing.T) {
	named := strings.Fields("server index annotate web sample README.md DEVELOPERS.md CHANGELOG.md LICENSE go.mod go.sum Makefile Dockerfile bin data")
	entries, err := os.ReadDir("..")
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range entries {
		if !strings.HasPrefix(e.Name(), ".") && !slices.Contains(named, e.Name()) {
			t.Errorf("the top level holds %q", e.Name())
		}
	}
}
