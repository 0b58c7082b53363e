package upload

import (
	"encoding/base64"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"unicode"
	"unicode/utf8"
)

func TestNames(t *testing.T) {
	for _, c := range []struct{ name, in, want string }{
		{"plain", "left eye.mp4", "left eye.mp4"},
		{"umlauts", "Übung 3 – öffnen.mkv", "Übung 3 – öffnen.mkv"},
		{"climbing", "../../etc/passwd", "passwd"},
		{"backslashes", `C:\films\a.mp4`, "a.mp4"},
		{"control characters", "a\x00b\x1b[31m\r\nc.mp4", "ab[31m c.mp4"},
		{"turned direction", "a\u202e4pm.exe", "a4pm.exe"},
		{"zero width", "a\u200bb\ufeff.mp4", "ab.mp4"},
		{"not UTF-8", "a\xff\xfeb.mp4", "ab.mp4"},
		{"dots", "..", "film"},
		{"nothing", "", "film"},
		{"only a slash", "films/", "film"},
		{"too long", strings.Repeat("é", 200) + ".mp4", strings.Repeat("é", 120)},
	} {
		t.Run(c.name, func(t *testing.T) {
			if got := CleanName(c.in); got != c.want {
				t.Errorf("CleanName(%q) is %q, want %q", c.in, got, c.want)
			}
		})
	}
}

func FuzzCleanName(f *testing.F) {
	for _, s := range []string{"a.mp4", "../..", "\x00", "a\u202eb", strings.Repeat("x", 500), "/\\ . /"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		got := CleanName(s)
		unseen := strings.ContainsFunc(got, func(r rune) bool { return !unicode.IsGraphic(r) })
		if got == "" || got == "." || got == ".." || utf8.RuneCountInString(got) > MaxName || !utf8.ValidString(got) ||
			strings.ContainsAny(got, `/\`) || unseen || got != strings.TrimSpace(got) {
			t.Errorf("CleanName(%q) is %q", s, got)
		}
		if again := CleanName(got); again != got {
			t.Errorf("cleaned twice, %q becomes %q", got, again)
		}
	})
}

// FuzzMetadata sends what strangers may write in the header through the door.
func FuzzMetadata(f *testing.F) {
	for _, s := range []string{"filename YS5tcDQ=", "filename", "filename !!!, x", "a b c,filename Li4vLi4=", ","} {
		f.Add(s)
	}
	up, err := New(options(f.TempDir(), slog.New(slog.DiscardHandler)))
	if err != nil {
		f.Fatal(err)
	}
	f.Fuzz(func(t *testing.T, s string) {
		if strings.ContainsFunc(s, func(r rune) bool { return r < ' ' || r > '~' }) {
			return // no header can hold it
		}
		resp := serve(t, up, "POST", "/uploads/", map[string]string{"Upload-Length": "5", "Upload-Metadata": s})
		if resp.StatusCode != http.StatusCreated {
			t.Fatalf("Upload-Metadata: %s: got %d", s, resp.StatusCode)
		}
		at := resp.Header.Get("Location")
		kept, _ := strings.CutPrefix(serve(t, up, "HEAD", at, nil).Header.Get("Upload-Metadata"), "filename ")
		if err := up.Discard(t.Context(), id(at)); err != nil {
			t.Error(err)
		}
		name, err := base64.StdEncoding.DecodeString(kept)
		if err != nil || string(name) != CleanName(string(name)) {
			t.Errorf("Upload-Metadata: %s is kept as %q", s, name)
		}
	})
}

func serve(t *testing.T, u *Uploads, method, path string, header map[string]string) *http.Response {
	t.Helper()
	r := httptest.NewRequestWithContext(t.Context(), method, path, nil)
	for k, v := range with(map[string]string{"Account": "a1", "Tus-Resumable": "1.0.0"}, header) {
		r.Header.Set(k, v)
	}
	w := httptest.NewRecorder()
	u.Handler().ServeHTTP(w, r)
	return w.Result()
}
