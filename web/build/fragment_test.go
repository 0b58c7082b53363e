package build

import (
	"bytes"
	"encoding/json"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"github.com/evanw/esbuild/pkg/api"
)

// readInNode runs the elements' reader of fragments in Node over some hashes.
func readInNode(t *testing.T, hashes []string) []*stretch {
	t.Helper()
	node, err := exec.LookPath("node")
	if err != nil {
		if os.Getenv("TEST_NO_SKIP") != "" {
			t.Fatal("node is not installed")
		}
		t.Skip("node is not installed")
	}
	const ask = `import { fragmentTime } from './fragment.ts';
		declare const process: any;
		process.stdin.on('data', (b: any) => console.log(JSON.stringify(JSON.parse(String(b)).map(fragmentTime))));`
	built := api.Build(api.BuildOptions{
		Stdin:  &api.StdinOptions{Contents: ask, ResolveDir: "../elements", Loader: api.LoaderTS},
		Bundle: true, Format: api.FormatESModule, Target: api.ES2022, LogLevel: api.LogLevelSilent,
	})
	if len(built.Errors) > 0 {
		t.Fatal(built.Errors[0].Text)
	}
	script := filepath.Join(t.TempDir(), "ask.mjs")
	if err := os.WriteFile(script, built.OutputFiles[0].Contents, 0o600); err != nil {
		t.Fatal(err)
	}
	in, err := json.Marshal(hashes)
	if err != nil {
		t.Fatal(err)
	}
	run := exec.CommandContext(t.Context(), node, script)
	run.Stdin, run.Stderr = bytes.NewReader(in), os.Stderr
	answer, err := run.Output()
	if err != nil {
		t.Fatal(err)
	}
	var got []*stretch
	if err := json.Unmarshal(answer, &got); err != nil {
		t.Fatal(err)
	}
	return got
}

type stretch struct {
	From float64
	To   *float64
}

// The test cases of W3C Media Fragments URI 1.0. What the browser reads is
// normal play time; timecodes and times of day are the whole film to it.
func TestFragmentVectors(t *testing.T) {
	data, err := os.ReadFile("../../annotate/testdata/media-fragments.tsv")
	if err != nil {
		t.Fatal(err)
	}
	type expected struct {
		Hash struct {
			T []struct {
				Unit                           string
				StartNormalized, EndNormalized any
			}
		}
	}
	var names, hashes []string
	var want []expected
	for line := range strings.Lines(string(data)) {
		col := strings.Split(strings.TrimSpace(line), "\t")
		var e expected
		if err := json.Unmarshal([]byte(col[len(col)-1]), &e); err != nil {
			t.Fatalf("%s: %v", col[0], err)
		}
		_, hash, _ := strings.Cut(col[1], "#")
		names, hashes, want = append(names, col[0]), append(hashes, "#"+hash), append(want, e)
	}
	if len(names) != 90 {
		t.Errorf("%d cases, want 90", len(names))
	}
	for i, got := range readInNode(t, hashes) {
		ts := want[i].Hash.T
		if len(ts) == 0 || ts[len(ts)-1].Unit != "npt" {
			if got != nil {
				t.Errorf("%s %s = %+v, want the whole", names[i], hashes[i], *got)
			}
			continue
		}
		from, _ := ts[len(ts)-1].StartNormalized.(float64)
		to, ends := ts[len(ts)-1].EndNormalized.(float64)
		if got == nil || math.Abs(got.From-from) > 1e-6 || (got.To != nil) != ends || ends && math.Abs(*got.To-to) > 1e-6 {
			t.Errorf("%s %s = %+v, want %v to %v", names[i], hashes[i], got, from, to)
		}
	}
}
