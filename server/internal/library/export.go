package library

import (
	"archive/zip"
	"context"
	"fmt"
	"io"
	"strings"
	"time"
	"unicode"

	"sideport/annotate"
	"sideport/annotate/casefile"
	"sideport/annotate/consent"
	"sideport/annotate/export"
)

// Bundle is an export ready to be written: one file, or an archive of several.
type Bundle struct {
	Format    export.Format
	Release   consent.Release
	Name      string // a file name that identifies nobody
	MediaType string
	write     func(io.Writer) error
}

// Write writes the export.
func (b Bundle) Write(w io.Writer) error { return b.write(w) }

// Export makes a case ready to leave for an audience, if its consent reaches
// that far. recording is for formats that concern one film; "" is the first.
// wait says to wait for a film that is just being prepared; without it that is
// a fault of cause Busy.
func (l *Library) Export(ctx context.Context, v consent.Viewer, caseID, format string, to annotate.Audience, recording string, wait bool) (Bundle, error) {
	f, ok := export.FormatOf(format)
	if !ok {
		return Bundle{}, annotate.Faultf(annotate.Missing, "There is no export format %q; there are %s.", format, formatNames())
	}
	c, err := l.Shelf.Case(ctx, caseID)
	if err != nil {
		return Bundle{}, unseen(caseID, err)
	}
	r, err := consent.Export(c, v, to)
	if err != nil {
		return Bundle{}, unseen(caseID, err)
	}
	if _, ok := c.Recording(recording); !ok && recording != "" {
		return Bundle{}, annotate.Faultf(annotate.Missing, "There is no recording %s in this case.", recording)
	}
	o := export.Options{Vocabulary: l.Vocabulary, Recording: recording}
	b := Bundle{Format: f, Release: r, Name: fileName(c.Title) + "." + f.Ext, MediaType: f.MediaType}
	b.write = func(w io.Writer) error { return f.Write(w, r, o) }
	if f.Files == nil {
		return b, nil
	}
	if err := l.ready(ctx, c, wait); err != nil {
		return Bundle{}, err
	}
	b.Name, b.MediaType = fileName(c.Title)+".zip", "application/zip"
	b.write = func(w io.Writer) error { return l.archive(ctx, w, b, o) }
	return b, nil
}

func formatNames() string {
	var out []string
	for _, f := range export.Formats() {
		out = append(out, f.ID)
	}
	return strings.Join(out, ", ")
}

// ready prepares what an archive needs, where no job has done so yet.
func (l *Library) ready(ctx context.Context, c annotate.Case, wait bool) error {
	made, err := l.Shelf.Prepared(ctx, c.ID)
	if err != nil {
		return err
	}
	for _, r := range c.Recordings {
		if l.have(made[r.ID].Play) {
			continue
		}
		if err := l.prepareNow(ctx, c.ID, r.ID, wait); err != nil {
			return err
		}
	}
	return nil
}

func (l *Library) prepareNow(ctx context.Context, caseID, recording string, wait bool) error {
	end, err := l.begin(ctx, caseID, recording, wait)
	if err != nil {
		return err
	}
	defer end()
	return l.prepare(ctx, caseID, recording, func(float64) {})
}

// archive writes the case file and the films and stills that go with it into a
// folder inside a zip. Films do not shrink; they are stored as they are.
func (l *Library) archive(ctx context.Context, w io.Writer, b Bundle, o export.Options) error {
	made, err := l.Prepared(ctx, b.Release)
	if err != nil {
		return err
	}
	z := zip.NewWriter(w)
	dir := strings.TrimSuffix(b.Name, ".zip") + "/"
	o.Served = func(r annotate.Recording) string { return containers[made[r.ID].Type] }
	head, err := create(z, dir+casefile.Name, zip.Deflate)
	if err != nil {
		return err
	}
	if err := b.Format.Write(head, b.Release, o); err != nil {
		return err
	}
	for _, a := range b.Format.Files(b.Release, o) {
		if err := ctx.Err(); err != nil {
			return err
		}
		if err := l.attach(ctx, z, dir, b.Release, a); err != nil {
			return fmt.Errorf("archive %s: %w", a.Name, err)
		}
	}
	return z.Close()
}

// containers names the container of a served copy by its media type.
var containers = map[string]string{"video/mp4": "mp4", "video/webm": "webm"}

func create(z *zip.Writer, name string, method uint16) (io.Writer, error) {
	// The archive's own clock says nothing about the operation's day.
	return z.CreateHeader(&zip.FileHeader{Name: name, Method: method, Modified: time.Date(2000, 1, 1, 0, 0, 0, 0, time.UTC)})
}

func (l *Library) attach(ctx context.Context, z *zip.Writer, dir string, r consent.Release, a export.Attachment) error {
	if a.Write != nil {
		w, err := create(z, dir+a.Name, zip.Deflate)
		if err != nil {
			return err
		}
		return a.Write(w)
	}
	var f Served
	var err error
	if a.Recording != "" {
		f, err = l.Film(ctx, r, a.Recording)
	} else {
		f, err = l.Still(ctx, r, a.Still)
	}
	if err != nil {
		return err
	}
	defer f.Close()
	w, err := create(z, dir+a.Name, zip.Store)
	if err != nil {
		return err
	}
	_, err = io.Copy(w, f)
	return err
}

// fileName turns a title into a plain file name: lower case, letters, digits
// and hyphens of any script, no longer than people read.
func fileName(title string) string {
	var b strings.Builder
	for _, r := range strings.ToLower(title) {
		switch {
		case unicode.IsLetter(r) || unicode.IsDigit(r):
			b.WriteRune(r)
		case b.Len() > 0 && !strings.HasSuffix(b.String(), "-"):
			b.WriteByte('-')
		}
		if b.Len() > 60 {
			break
		}
	}
	if s := strings.Trim(b.String(), "-"); s != "" {
		return s
	}
	return "case"
}
