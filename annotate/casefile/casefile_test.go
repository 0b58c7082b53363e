package casefile

import (
	"bytes"
	"flag"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"

	"github.com/google/go-cmp/cmp"

	"sideport/annotate"
	"sideport/annotate/terms"
)

var update = flag.Bool("update", false, "write the golden files anew")

var load = sync.OnceValues(func() (*terms.Vocabulary, error) { return terms.Load("cataract") })

func vocabulary(t testing.TB) *terms.Vocabulary {
	t.Helper()
	v, err := load()
	if err != nil {
		t.Fatal(err)
	}
	return v
}

func mustParse(t testing.TB, v *terms.Vocabulary, data string) *Doc {
	t.Helper()
	d, err := Parse(Name, []byte(data), v)
	if err != nil {
		t.Fatalf("%v\n%s", err, data)
	}
	return d
}

func mustWrite(t testing.TB, v *terms.Vocabulary, c annotate.Case) string {
	t.Helper()
	var b bytes.Buffer
	if err := Write(&b, c, v); err != nil {
		t.Fatal(err)
	}
	return b.String()
}

func golden(t *testing.T, name, got string) {
	t.Helper()
	file := filepath.Join("testdata", name)
	if *update {
		if err := os.WriteFile(file, []byte(got), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff(string(want), got); d != "" {
		t.Errorf("%s differs (-want +got); run with -update if it is meant:\n%s", file, d)
	}
}

func TestGolden(t *testing.T) {
	v := vocabulary(t)
	for _, name := range []string{"design", "rich"} {
		t.Run(name, func(t *testing.T) {
			data, err := os.ReadFile(filepath.Join("testdata", name+".yaml"))
			if err != nil {
				t.Fatal(err)
			}
			d := mustParse(t, v, string(data))
			var problems strings.Builder
			for _, p := range d.Problems {
				problems.WriteString(p.String() + "\n")
			}
			golden(t, name+".problems", problems.String())
			fillCaptions(d)
			once := mustWrite(t, v, d.Case)
			golden(t, name+".golden.yaml", once)
			again := mustParse(t, v, once)
			fillCaptions(again)
			if twice := mustWrite(t, v, again.Case); twice != once {
				t.Errorf("written again it differs:\n%s", cmp.Diff(once, twice))
			}
			d.Case.SortNotes()
			again.Case.SortNotes()
			for i := range again.Case.Notes {
				again.Case.Notes[i].ID, d.Case.Notes[i].ID = "", ""
			}
			if diff := cmp.Diff(d.Case, again.Case); diff != "" {
				t.Errorf("read back it is another case:\n%s", diff)
			}
		})
	}
}

// fillCaptions does what a caller does with the captions files.
func fillCaptions(d *Doc) {
	for _, f := range d.Files {
		if f.Use == Captions {
			r := &d.Case.Recordings[f.Item]
			r.Captions = append(r.Captions, annotate.Track{Language: f.Language})
		}
	}
}
