// Package build bundles the elements, the styles and the icons of the pages
// into web/static/built. It is used by its own command and by the test that
// holds the committed bundle against a fresh one; neither the pages nor the
// server may import it.
package build

import (
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"slices"

	"github.com/evanw/esbuild/pkg/api"
)

// Bundle makes every file of the bundle from the sources under root, the web
// folder, and gives their bytes by name. The same sources give the same bytes.
func Bundle(root string) (map[string][]byte, error) {
	root, err := filepath.Abs(root)
	if err != nil {
		return nil, fmt.Errorf("find the web folder: %w", err)
	}
	result := api.Build(api.BuildOptions{
		AbsWorkingDir: root,
		EntryPointsAdvanced: []api.EntryPoint{
			{InputPath: "elements/app.ts", OutputPath: "app"},
			{InputPath: "static/app.css", OutputPath: "app"},
		},
		Bundle: true, MinifyWhitespace: true, MinifyIdentifiers: true, MinifySyntax: true,
		Format: api.FormatESModule, Target: api.ES2022, Charset: api.CharsetUTF8,
		Outdir: "static/built", Write: false, LogLevel: api.LogLevelSilent,
	})
	if len(result.Errors) > 0 {
		said := api.FormatMessages(result.Errors, api.FormatMessagesOptions{})
		return nil, fmt.Errorf("bundle the elements and styles: %s", said)
	}
	out := map[string][]byte{}
	for _, f := range result.OutputFiles {
		out[filepath.Base(f.Path)] = f.Contents
	}
	icon, err := os.ReadFile(filepath.Join(root, "static", "icon.svg"))
	if err != nil {
		return nil, fmt.Errorf("read the icon: %w", err)
	}
	out["icon.svg"] = icon
	return out, nil
}

// Write makes the bundle and puts it into static/built under root.
func Write(root string) ([]string, error) {
	files, err := Bundle(root)
	if err != nil {
		return nil, err
	}
	names := slices.Sorted(maps.Keys(files))
	for _, n := range names {
		if err := os.WriteFile(filepath.Join(root, "static", "built", n), files[n], 0o644); err != nil {
			return nil, fmt.Errorf("write the bundle: %w", err)
		}
	}
	return names, nil
}
