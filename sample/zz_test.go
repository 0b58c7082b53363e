package sample_test

import (
	"context"
	"io/fs"
	"os"
	"testing"

	"sideport/annotate/casefile"
	"sideport/annotate/terms"
	"sideport/sample"
)

func BenchmarkAll(b *testing.B) {
	v, _ := terms.Load("cataract")
	for b.Loop() {
		for _, c := range sample.Cases() {
			if os.Getenv("ONE") != "" && c.Name != os.Getenv("ONE") {
				continue
			}
			raw, _ := fs.ReadFile(c.Files, "case.yaml")
			d, err := casefile.Parse(c.Name, raw, v)
			if err != nil {
				b.Fatal(err)
			}
			for range sample.Draw(d.Case, c.Length).Frames(context.Background()) {
			}
		}
	}
}
