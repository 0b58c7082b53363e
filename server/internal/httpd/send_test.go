package httpd

import (
	"io"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"testing"

	"github.com/labstack/echo/v4"

	"sideport/server/internal/library"
)

// connection stands for net/http's own response, whose ReadFrom has the kernel
// send a file.
type connection struct {
	*httptest.ResponseRecorder
	from []io.Reader
}

func (w *connection) ReadFrom(r io.Reader) (int64, error) {
	w.from = append(w.from, r)
	return io.Copy(w.ResponseRecorder, r)
}

// fileIn finds the file in what ReadFrom was handed; that is where net/http
// looks for one.
func fileIn(r io.Reader) bool {
	if l, ok := r.(*io.LimitedReader); ok {
		r = l.R
	}
	_, ok := r.(*os.File)
	return ok
}

func TestSendLetsTheKernelSend(t *testing.T) {
	path := filepath.Join(t.TempDir(), "film")
	if err := os.WriteFile(path, []byte("0123456789"), 0o600); err != nil {
		t.Fatal(err)
	}
	tests := []struct {
		name, method, key, value string
		status                   int
		body                     string
		kernel                   bool
	}{
		{"whole", http.MethodGet, "", "", 200, "0123456789", true},
		{"range", http.MethodGet, "Range", "bytes=2-4", 206, "234", true},
		{"suffix", http.MethodGet, "Range", "bytes=-3", 206, "789", true},
		{"beyond", http.MethodGet, "Range", "bytes=20-", 416, "invalid range: failed to overlap\n", false},
		{"known already", http.MethodGet, "If-None-Match", `"h"`, 304, "", false},
		{"head", http.MethodHead, "", "", 200, "", false},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			f, err := os.Open(path)
			if err != nil {
				t.Fatal(err)
			}
			r := httptest.NewRequest(tt.method, "/film", nil)
			if tt.key != "" {
				r.Header.Set(tt.key, tt.value)
			}
			w := &connection{ResponseRecorder: httptest.NewRecorder()}
			c := echo.New().NewContext(r, w)
			if err := send(c, library.Served{File: f, Type: "video/mp4", Hash: "h"}); err != nil {
				t.Fatal(err)
			}
			if w.Code != tt.status || w.Body.String() != tt.body {
				t.Errorf("answer %d %q, want %d %q", w.Code, w.Body, tt.status, tt.body)
			}
			if got := len(w.from) == 1 && fileIn(w.from[0]); got != tt.kernel {
				t.Errorf("ReadFrom was handed %v; a file in it: %v, want %v", w.from, got, tt.kernel)
			}
			if res := c.Response(); res.Status != tt.status || res.Size != int64(len(tt.body)) || !res.Committed {
				t.Errorf("echo counts %d bytes of %d, committed %v", res.Size, res.Status, res.Committed)
			}
			if _, err := f.Stat(); err == nil {
				t.Error("the file was left open")
			}
		})
	}
}
