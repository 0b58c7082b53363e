package library

import (
	"archive/zip"
	"bytes"
	"context"
	"errors"
	"slices"
	"strings"
	"testing"

	"sideport/annotate"
	"sideport/annotate/consent"
	"sideport/annotate/export"
)

const consented = oneFilm + "consent: {audience: professionals, obtained: 2026-03-01, reference: heliotrope}\nstatus: published\n"

func TestExportRefuses(t *testing.T) {
	w := newWorld(t)
	id := w.mustAdd(t, "case.yaml", consented, "a.mp4", "film")
	draft := w.mustAdd(t, "case.yaml", strings.Replace(consented, "published", "draft", 1), "a.mp4", "film 2")
	nobody := w.mustAdd(t, "case.yaml", oneFilm, "a.mp4", "film 3")
	withdrawn := w.mustAdd(t, "case.yaml", strings.Replace(consented, "heliotrope", "x, withdrawn: 2026-04-01", 1), "a.mp4", "film 4")
	tests := []struct {
		name, id, format, recording string
		v                           consent.Viewer
		to                          annotate.Audience
		cause                       annotate.Cause
	}{
		{"own unit", id, "chapters", "", trainee, annotate.OwnUnit, ""},
		{"professionals", id, "chapters", "r1", trainee, annotate.Professionals, ""},
		{"beyond the consent", id, "chapters", "", curator, annotate.Public, annotate.Refused},
		{"for nobody", id, "chapters", "", curator, annotate.Nobody, annotate.Refused},
		{"no such format", id, "film-strip", "", curator, annotate.OwnUnit, annotate.Missing},
		{"no such recording", id, "chapters", "r2", curator, annotate.OwnUnit, annotate.Missing},
		{"no such case", "none", "chapters", "", curator, annotate.OwnUnit, annotate.Missing},
		{"a draft, by a trainee", draft, "chapters", "", trainee, annotate.OwnUnit, annotate.Missing},
		{"a draft, by a curator", draft, "chapters", "", curator, annotate.OwnUnit, ""},
		{"without consent", nobody, "chapters", "", curator, annotate.OwnUnit, annotate.Refused},
		{"withdrawn", withdrawn, "chapters", "", consent.Viewer{Role: consent.Steward}, annotate.OwnUnit, annotate.Missing},
		{"by the public", id, "chapters", "", consent.Viewer{}, annotate.Public, annotate.Missing},
	}
	for _, tt := range tests {
		for _, f := range export.Formats() {
			format := tt.format
			if format == "chapters" {
				format = f.ID
			}
			t.Run(tt.name+" "+format, func(t *testing.T) {
				b, err := w.Export(t.Context(), tt.v, tt.id, format, tt.to, tt.recording, false)
				if annotate.CauseOf(err) != tt.cause || (err == nil) != (tt.cause == "") {
					t.Fatalf("got %v, want cause %q", err, tt.cause)
				}
				var out bytes.Buffer
				if err == nil && (b.Write(&out) != nil || out.Len() == 0) {
					t.Error("an export of nothing")
				}
			})
		}
	}
}

func TestFolderExport(t *testing.T) {
	w := newWorld(t)
	id := w.mustAdd(t, "case.yaml", consented, "a.mp4", "film")
	// Nothing is prepared yet: the export does it.
	b, err := w.Export(t.Context(), curator, id, "folder", annotate.OwnUnit, "", false)
	if err != nil {
		t.Fatal(err)
	}
	var out bytes.Buffer
	if err := b.Write(&out); err != nil {
		t.Fatal(err)
	}
	z, err := zip.NewReader(bytes.NewReader(out.Bytes()), int64(out.Len()))
	if err != nil {
		t.Fatal(err)
	}
	var names []string
	for _, f := range z.File {
		names = append(names, f.Name)
		if f.Modified.Year() != 2000 {
			t.Errorf("%s bears a day: %v", f.Name, f.Modified)
		}
	}
	if want := []string{"a/case.yaml", "a/recording-1.mp4"}; !slices.Equal(names, want) || b.Name != "a.zip" || b.MediaType != "application/zip" {
		t.Errorf("%s, %s holds %q, want %q", b.Name, b.MediaType, names, want)
	}
	w.nothingLeft(t)
	// While a job prepares the film, the export does not wait.
	again := w.mustAdd(t, "case.yaml", consented, "a.mp4", "film 2")
	end, err := w.begin(t.Context(), again, "r1", true)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := w.Export(t.Context(), curator, again, "folder", annotate.OwnUnit, "", false); annotate.CauseOf(err) != annotate.Busy {
		t.Errorf("an export while the film is prepared: %v", err)
	}
	// A command does.
	stopped, stop := context.WithCancel(t.Context())
	stop()
	if _, err := w.Export(stopped, curator, again, "folder", annotate.OwnUnit, "", true); !errors.Is(err, context.Canceled) {
		t.Errorf("a command that is stopped while it waits: %v", err)
	}
	got := make(chan error)
	go func() {
		_, err := w.Export(t.Context(), curator, again, "folder", annotate.OwnUnit, "", true)
		got <- err
	}()
	end()
	if err := <-got; err != nil {
		t.Errorf("a command that waits: %v", err)
	}
}

func TestFileName(t *testing.T) {
	for title, want := range map[string]string{
		"Loose bag, horizontal chop": "loose-bag-horizontal-chop",
		"  ..  ":                     "case",
		"":                           "case",
		"../../etc/passwd":           "etc-passwd",
		"a/b\\c:d*e?f\"g<h>i|j":      "a-b-c-d-e-f-g-h-i-j",
		"a\x00b\nc":                  "a-b-c",
		"Katarakt für Übung":         "katarakt-für-übung",
		"白内障":                        "白内障",
		"100 %":                      "100",
		"-a-":                        "a",
		"CON":                        "con",
	} {
		if got := fileName(title); got != want {
			t.Errorf("fileName(%q) = %q, want %q", title, got, want)
		}
	}
	if got := fileName(strings.Repeat("long title ", 100)); len(got) > 64 || strings.HasSuffix(got, "-") {
		t.Errorf("%d bytes: %q", len(got), got)
	}
}

func FuzzFileName(f *testing.F) {
	f.Add("Loose bag, horizontal chop")
	f.Fuzz(func(t *testing.T, title string) {
		got := fileName(title)
		if got == "" || len(got) > 80 || strings.ContainsAny(got, "/\\.: \x00\n\"") || strings.HasPrefix(got, "-") {
			t.Errorf("%q becomes %q", title, got)
		}
	})
}
