package build

import (
	"bytes"
	"compress/gzip"
	"os"
	"path/filepath"
	"testing"
)

func TestCommittedBundleIsFresh(t *testing.T) {
	fresh, err := Bundle("..")
	if err != nil {
		t.Fatal(err)
	}
	entries, err := os.ReadDir("../static/built")
	if err != nil {
		t.Fatal(err)
	}
	if len(entries) != len(fresh) {
		t.Errorf("static/built holds %d files, a fresh bundle %d: remove what is left over, then run go run ./web/build/cmd", len(entries), len(fresh))
	}
	for name, want := range fresh {
		got, err := os.ReadFile(filepath.Join("../static/built", name))
		if err != nil {
			t.Fatal(err)
		}
		if !bytes.Equal(got, want) {
			t.Errorf("static/built/%s is stale: run go run ./web/build/cmd and commit what it writes", name)
		}
	}
}

// Every page loads the whole bundle and nothing else.
func TestBundleIsSmall(t *testing.T) {
	const most = 60 << 10
	files, err := Bundle("..")
	if err != nil {
		t.Fatal(err)
	}
	total := 0
	for _, name := range []string{"app.css", "app.js"} {
		var b bytes.Buffer
		z := gzip.NewWriter(&b)
		if _, err := z.Write(files[name]); err != nil {
			t.Fatal(err)
		}
		if err := z.Close(); err != nil {
			t.Fatal(err)
		}
		total += b.Len()
	}
	t.Logf("script and style: %d bytes compressed", total)
	if total > most {
		t.Errorf("script and style are %d bytes compressed; a page may load %d", total, most)
	}
}
