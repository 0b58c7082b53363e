package media

import (
	"bytes"
	"encoding/binary"
	"encoding/json"
	"errors"
	"log/slog"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"sideport/annotate"
)

// tools finds the programs, or skips the test where they are absent and
// skipping is allowed.
func tools(t *testing.T) *Tools {
	t.Helper()
	found, err := Find(slog.New(slog.DiscardHandler))
	if err != nil {
		if os.Getenv("TEST_NO_SKIP") == "1" {
			t.Fatal(err)
		}
		t.Skip(err)
	}
	return found
}

// What most films are made of.
const (
	pictures = "-f lavfi -i testsrc=s=64x48:r=25:d=2 "
	tone     = "-f lavfi -i sine=d=2 "
	h264     = "-c:v libx264 -preset ultrafast -pix_fmt yuv420p "
)

// film has ffmpeg make a file. The arguments are parted at spaces; DIR stands
// for the folder.
func film(t *testing.T, name, args string) string {
	t.Helper()
	dir := t.TempDir()
	path := filepath.Join(dir, name)
	fields := append([]string{"-v", "error", "-nostdin", "-y"}, strings.Fields(strings.ReplaceAll(args, "DIR", dir))...)
	out, err := exec.Command("ffmpeg", append(fields, path)...).CombinedOutput()
	if err != nil {
		t.Fatalf("make %s: %v: %s", name, err, out)
	}
	return path
}

func contents(t *testing.T, path string) []byte {
	t.Helper()
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

func file(t *testing.T, name string, b []byte) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), name)
	if err := os.WriteFile(path, b, 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

// facts is ffprobe's own answer, asked without us.
type facts struct {
	Streams  []map[string]any `json:"streams"`
	Chapters []any            `json:"chapters"`
	Format   map[string]any   `json:"format"`
}

func ask(t *testing.T, path string, more ...string) facts {
	t.Helper()
	args := append([]string{"-v", "error", "-show_format", "-show_streams", "-show_chapters", "-of", "json"}, more...)
	out, err := exec.Command("ffprobe", append(args, path)...).Output()
	if err != nil {
		t.Fatalf("ffprobe %s: %v", path, err)
	}
	var f facts
	if err := json.Unmarshal(out, &f); err != nil {
		t.Fatal(err)
	}
	return f
}

func (f facts) of(kind string) map[string]any {
	for _, s := range f.Streams {
		if s["codec_type"] == kind {
			return s
		}
	}
	return nil
}

// refused checks that err is a fault of a cause whose sentence holds say, and
// that shows nothing of the tools' own words or paths.
func refused(t *testing.T, err error, cause annotate.Cause, say string) {
	t.Helper()
	f, ok := errors.AsType[*annotate.Fault](err)
	if !ok {
		t.Fatalf("got %v, want a fault that says %q", err, say)
	}
	if f.Cause != cause || !strings.Contains(f.Say, say) {
		t.Errorf("got %s: %q, want %s: %q", f.Cause, f.Say, cause, say)
	}
	for _, raw := range []string{os.TempDir(), "0x", "Invalid data", "@"} {
		if strings.Contains(f.Say, raw) {
			t.Errorf("%q shows %q", f.Say, raw)
		}
	}
}

// inBox gives back an MP4 in which edit has changed the body of the box at the
// path ("moov/trak/mdia"), the first of its kind at each step; lengths of all
// that hold it are mended. Chunk offsets are not: moov must come last.
func inBox(t *testing.T, b []byte, path string, edit func([]byte) []byte) []byte {
	t.Helper()
	kind, rest, deeper := strings.Cut(path, "/")
	for at := 0; at+8 <= len(b); {
		n := int(binary.BigEndian.Uint32(b[at:]))
		if n < 8 || at+n > len(b) {
			break
		}
		if string(b[at+4:at+8]) != kind {
			at += n
			continue
		}
		body := b[at+8 : at+n]
		if deeper {
			body = inBox(t, body, rest, edit)
		} else {
			body = edit(bytes.Clone(body))
		}
		out := append([]byte{}, b[:at]...)
		out = append(out, box(kind, body)...)
		return append(out, b[at+n:]...)
	}
	t.Fatalf("no box %s", path)
	return nil
}

func box(kind string, body []byte) []byte {
	out := binary.BigEndian.AppendUint32(nil, uint32(8+len(body)))
	return append(append(out, kind...), body...)
}

// turned makes an MP4 be shown rotated by a quarter, as a phone does.
func turned(t *testing.T, path string) string {
	b := inBox(t, contents(t, path), "moov/trak/tkhd", func(tkhd []byte) []byte {
		matrix := tkhd[40:76] // version 0: ISO/IEC 14496-12, 8.3.2
		for i, v := range []int32{0, 0x10000, 0, -0x10000, 0, 0, 48 << 16, 0, 0x40000000} {
			binary.BigEndian.PutUint32(matrix[4*i:], uint32(v))
		}
		return tkhd
	})
	return file(t, "turned.mp4", b)
}
