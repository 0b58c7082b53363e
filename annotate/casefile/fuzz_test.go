package casefile

import (
	"errors"
	"os"
	"path/filepath"
	"testing"

	"github.com/google/go-cmp/cmp"

	"sideport/annotate"
)

// What is taken is written so that it reads back as the same case, and is then
// written the same; what is refused is refused as a fault with a place.
func FuzzParse(f *testing.F) {
	files, err := filepath.Glob("testdata/*.yaml")
	if err != nil || len(files) == 0 {
		f.Fatal("no seeds", err)
	}
	for _, file := range files {
		data, err := os.ReadFile(file)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(data)
	}
	for _, s := range []string{
		"title: \"\\u2028 \\x85 \\ufeff \\U0001F642 '\"", "title: 'it''s'", "title: >-\n  a\n  b\n\n  c", "title: |2\n    a\n   b", "title: a\nplan: [{stand_by: [no, ~, null, 1e3]}]",
		"title: a\nprocedure: {concept: chop, said: phaco}", "title: a\nfactors: [{said: ring}, {concept: t.chop, said: small pupil}, {}]", "title: ~\n", "{title: a, notes: [{kind: remark, at: 0.0000004, words: b}]}",
		"title: a\nnotes: [{kind: setting, at: 1, mode: {said: chop}, values: {cde: 1}, usual: {vac: 10 kPa}}]", "%YAML 1.1\n---\ntitle: a\n...\n", "\ufefftitle: a", "title: a\r\nsummary: \"b\\r\\nc\"\r\n",
		"title: a\nrecordings: [{file: a, offset: -0.000001s}]\nnotes: [{kind: remark, at: -0.000001, words: b}]",
	} {
		f.Add([]byte(s))
	}
	v := vocabulary(f)
	f.Fuzz(func(t *testing.T, data []byte) {
		d, err := Parse(Name, data, v)
		if err != nil {
			fault, ok := errors.AsType[*annotate.Fault](err)
			if !ok || len(fault.Problems) == 0 || fault.Problems[0].File != Name {
				t.Fatalf("refused without a place: %v", err)
			}
			return
		}
		fillCaptions(d)
		once := mustWrite(t, v, d.Case)
		again := mustParse(t, v, once)
		fillCaptions(again)
		if twice := mustWrite(t, v, again.Case); twice != once {
			t.Fatalf("written again it differs:\n%s", cmp.Diff(once, twice))
		}
		d.Case.SortNotes()
		if len(d.Case.Notes) != len(again.Case.Notes) {
			t.Fatalf("%d notes became %d", len(d.Case.Notes), len(again.Case.Notes))
		}
		d.Case.Notes, again.Case.Notes = nil, nil // compared above: their ids differ by their order
		if diff := cmp.Diff(d.Case, again.Case); diff != "" {
			t.Fatalf("read back it is another case:\n%s\n%s", diff, once)
		}
	})
}
