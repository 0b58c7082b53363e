package app

import (
	"archive/zip"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"text/tabwriter"

	"sideport/annotate"
	"sideport/server/internal/config"
	"sideport/server/internal/library"
)

func add(ctx context.Context, api *client, c config.Config, s Streams) error {
	dir, err := filepath.Abs(c.Args[0])
	if err != nil {
		return err
	}
	var got library.Added
	if err := api.call(ctx, http.MethodPost, "/api/cases", map[string]string{"folder": dir}, &got); err != nil {
		return err
	}
	if c.JSON {
		return json.NewEncoder(s.Out).Encode(got)
	}
	for _, p := range got.Problems {
		fmt.Fprintf(s.Err, "%v\n", p)
	}
	_, err = fmt.Fprintln(s.Out, got.ID)
	return err
}

// found mirrors the API's answer to a search, as far as it is printed.
type found struct {
	Total int `json:"total"`
	Hits  []struct {
		Case    string `json:"case"`
		Title   string `json:"title"`
		Moments []struct {
			Kind  string        `json:"kind"`
			At    annotate.Time `json:"at"`
			Words string        `json:"words"`
		} `json:"moments"`
	} `json:"hits"`
	Understood []struct {
		Words string `json:"words"`
		Label string `json:"label"`
	} `json:"understood"`
}

func findWords(ctx context.Context, api *client, c config.Config, s Streams) error {
	res, err := api.do(ctx, http.MethodGet, "/api/cases?limit=20&q="+url.QueryEscape(strings.Join(c.Args, " ")), nil)
	if err != nil {
		return err
	}
	defer res.Body.Close()
	answer, err := io.ReadAll(res.Body)
	if err != nil {
		return fmt.Errorf("read the server's answer: %w", err)
	}
	var got found
	if err := json.Unmarshal(answer, &got); err != nil {
		return fmt.Errorf("read the server's answer: %w", err)
	}
	if c.JSON {
		_, err = s.Out.Write(answer)
	} else {
		got.print(s)
	}
	if got.Total == 0 && err == nil {
		err = annotate.Faultf(annotate.Missing, "Nothing was found. Try fewer words.")
	}
	return err
}

func (got found) print(s Streams) {
	for _, r := range got.Understood {
		fmt.Fprintf(s.Err, "%q is read as %s\n", r.Words, r.Label)
	}
	for _, h := range got.Hits {
		fmt.Fprintf(s.Out, "%s  %s\n", h.Case, h.Title)
		for _, m := range h.Moments {
			fmt.Fprintf(s.Out, "    %8s  %s\n", m.At.Clock(), strings.ReplaceAll(m.Words, "\n", " "))
		}
	}
}

type format struct {
	ID      string `json:"id"`
	Label   string `json:"label"`
	Help    string `json:"help"`
	Ext     string `json:"ext"`
	Archive bool   `json:"archive"`
}

func exportCase(ctx context.Context, api *client, c config.Config, s Streams) error {
	var list struct {
		Formats []format `json:"formats"`
	}
	if err := api.call(ctx, http.MethodGet, "/api/formats", nil, &list); err != nil {
		return err
	}
	if c.List {
		return printFormats(list.Formats, c, s)
	}
	path := "/api/cases/" + url.PathEscape(c.Args[0]) + "/export/" + url.PathEscape(c.Args[1]) + "?audience=" + url.QueryEscape(c.Audience)
	res, err := api.do(ctx, http.MethodGet, path, nil)
	if err != nil {
		return err
	}
	defer res.Body.Close()
	for _, f := range list.Formats {
		if f.ID == c.Args[1] && f.Archive {
			return exportFolder(res.Body, c, s)
		}
	}
	if c.Out == "" || c.Out == "-" {
		_, err := io.Copy(s.Out, res.Body)
		return err
	}
	return writeFile(c.Out, res.Body)
}

func printFormats(list []format, c config.Config, s Streams) error {
	if c.JSON {
		return json.NewEncoder(s.Out).Encode(list)
	}
	w := tabwriter.NewWriter(s.Out, 0, 0, 3, ' ', 0)
	for _, f := range list {
		fmt.Fprintf(w, "%s\t%s\t%s\n", f.ID, f.Label, f.Help)
	}
	return w.Flush()
}

// writeFile writes a file whole or not at all.
func writeFile(path string, r io.Reader) error {
	f, err := os.CreateTemp(filepath.Dir(path), ".sideport-*")
	if err != nil {
		return annotate.Faultf(annotate.Invalid, "%s cannot be written: %v.", path, err)
	}
	defer os.Remove(f.Name())
	_, err = io.Copy(f, r)
	if err == nil {
		err = f.Sync()
	}
	if err == nil {
		err = f.Chmod(0o644)
	}
	if err := errors.Join(err, f.Close()); err != nil {
		return fmt.Errorf("write %s: %w", path, err)
	}
	return os.Rename(f.Name(), path)
}

// exportFolder unpacks the archive that the API sends into a new folder; with
// -o x.zip it is kept as it is, with -o - it goes to standard output.
func exportFolder(r io.Reader, c config.Config, s Streams) error {
	switch {
	case c.Out == "-":
		_, err := io.Copy(s.Out, r)
		return err
	case strings.HasSuffix(c.Out, ".zip"):
		return writeFile(c.Out, r)
	}
	dir := c.Out
	if dir == "" {
		dir = c.Args[0]
	}
	if err := os.Mkdir(dir, 0o755); errors.Is(err, fs.ErrExist) {
		return annotate.Faultf(annotate.Conflict, "The folder %q is there already; name another with -o.", dir)
	} else if err != nil {
		return annotate.Faultf(annotate.Invalid, "The folder %q cannot be made: %v.", dir, err)
	}
	if err := unpack(r, dir); err != nil {
		return errors.Join(err, os.RemoveAll(dir))
	}
	if !c.JSON {
		_, err := fmt.Fprintln(s.Out, dir)
		return err
	}
	return json.NewEncoder(s.Out).Encode(map[string]string{"folder": dir})
}

// unpack spools the archive beside the folder, since a zip is read from its
// end, and writes its files flat into the folder.
func unpack(r io.Reader, dir string) error {
	spool, err := os.CreateTemp(dir, ".archive-*")
	if err != nil {
		return err
	}
	defer os.Remove(spool.Name())
	defer spool.Close()
	n, err := io.Copy(spool, r)
	if err != nil {
		return fmt.Errorf("receive the case: %w", err)
	}
	z, err := zip.NewReader(spool, n)
	if err != nil {
		return fmt.Errorf("read the archive: %w", err)
	}
	root, err := os.OpenRoot(dir)
	if err != nil {
		return err
	}
	defer root.Close()
	for _, f := range z.File {
		if err := unpackFile(root, f); err != nil {
			return fmt.Errorf("unpack %s: %w", f.Name, err)
		}
	}
	return nil
}

func unpackFile(root *os.Root, f *zip.File) error {
	in, err := f.Open()
	if err != nil {
		return err
	}
	defer in.Close()
	out, err := root.Create(filepath.Base(f.Name))
	if err != nil {
		return err
	}
	_, err = io.Copy(out, in)
	return errors.Join(err, out.Close())
}

func check(ctx context.Context, api *client, c config.Config, s Streams) error {
	var rep library.Report
	if err := api.call(ctx, http.MethodPost, "/api/check", nil, &rep); err != nil {
		return err
	}
	bad := annotate.Errors(rep.Problems)
	if c.JSON {
		if err := json.NewEncoder(s.Out).Encode(rep); err != nil {
			return err
		}
	} else {
		fmt.Fprintf(s.Out, "%d cases, %d files, %d bytes, change %d, indexed to %d\n", rep.Cases, rep.Files, rep.Bytes, rep.Change, rep.Indexed)
		for _, p := range rep.Problems {
			fmt.Fprintln(s.Out, p)
		}
	}
	if len(bad) > 0 {
		return annotate.Faultf(annotate.Invalid, "The library has %d problems.", len(bad))
	}
	return nil
}

func reindex(ctx context.Context, api *client, c config.Config, s Streams) error {
	var rep library.Report
	if err := api.call(ctx, http.MethodPost, "/api/reindex", nil, &rep); err != nil {
		return err
	}
	if c.JSON {
		return json.NewEncoder(s.Out).Encode(rep)
	}
	_, err := fmt.Fprintf(s.Out, "%d cases indexed, to change %d\n", rep.Cases, rep.Indexed)
	return err
}

func backup(ctx context.Context, api *client, c config.Config, s Streams) error {
	res, err := api.do(ctx, http.MethodGet, "/api/backup", nil)
	if err != nil {
		return err
	}
	defer res.Body.Close()
	if err := writeFile(c.Args[0], res.Body); err != nil {
		return err
	}
	info, err := os.Stat(c.Args[0])
	if err != nil {
		return err
	}
	if c.JSON {
		return json.NewEncoder(s.Out).Encode(map[string]any{"file": c.Args[0], "bytes": info.Size()})
	}
	_, err = fmt.Fprintf(s.Out, "%s: %d bytes\n", c.Args[0], info.Size())
	return err
}
