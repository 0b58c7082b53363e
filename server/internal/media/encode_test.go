package media

import (
	"bytes"
	"context"
	"errors"
	"iter"
	"os"
	"path/filepath"
	"testing"

	"sideport/annotate"
)

// drawn gives n frames of one grey each, rising, from one buffer.
func drawn(d Drawing, n int) iter.Seq[[]byte] {
	return func(yield func([]byte) bool) {
		b := make([]byte, d.size())
		for i := range n {
			for j := range b {
				b[j] = byte(i * 4)
			}
			if !yield(b) {
				return
			}
		}
	}
}

func TestEncode(t *testing.T) {
	tl := tools(t)
	for _, format := range []string{"yuv420p", "rgba"} {
		t.Run(format, func(t *testing.T) {
			d := Drawing{Width: 64, Height: 48, Rate: annotate.Rate{Num: 25, Den: 1}, Frames: 60, PixelFormat: format}
			var outs [2][]byte
			for i := range outs {
				last := 0.0
				out := filepath.Join(t.TempDir(), "drawn.mp4")
				if err := tl.Encode(t.Context(), d, drawn(d, 60), out, func(f float64) { last = f }); err != nil {
					t.Fatal(err)
				}
				if last != 1 {
					t.Errorf("progress ended at %v", last)
				}
				outs[i] = contents(t, out)
				f, err := tl.Probe(t.Context(), out)
				want := annotate.Film{Container: "mp4", Duration: 2400 * annotate.Millisecond, Rate: d.Rate, Width: 64, Height: 48, VideoCodec: "h264", Size: int64(len(outs[i]))}
				if err != nil || f != want {
					t.Errorf("got %+v, %v, want %+v", f, err, want)
				}
				if n := len(times(t, out)); n != 60 {
					t.Errorf("%d frames", n)
				}
				if plan(details{Film: f, video: stream{PixelFormat: "yuv420p"}}).video[1] != "copy" {
					t.Error("a browser could not play it as it is")
				}
			}
			if !bytes.Equal(outs[0], outs[1]) {
				t.Error("the same frames gave other bytes the second time")
			}
		})
	}
}

func TestEncodeFails(t *testing.T) {
	tl := tools(t)
	good := Drawing{Width: 64, Height: 48, Rate: annotate.Rate{Num: 25, Den: 1}, Frames: 10, PixelFormat: "rgba"}
	odd, still, strange, many := good, good, good, good
	odd.Width, still.Frames, strange.PixelFormat, many.Frames = 63, 0, "gray", 1000
	cancelled, cancel := context.WithCancel(t.Context())
	cancel()
	tests := []struct {
		name   string
		ctx    context.Context
		d      Drawing
		frames iter.Seq[[]byte]
		want   error
	}{
		{"odd sides", t.Context(), odd, drawn(good, 10), nil},
		{"no frames", t.Context(), still, drawn(good, 10), nil},
		{"no such format", t.Context(), strange, drawn(good, 10), nil},
		{"too few frames", t.Context(), many, drawn(good, 10), nil},
		{"too many frames", t.Context(), good, drawn(good, 11), nil},
		{"frames of another size", t.Context(), good, drawn(Drawing{Width: 2, Height: 2}, 10), nil},
		{"cancelled", cancelled, good, drawn(good, 10), context.Canceled},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			out := filepath.Join(t.TempDir(), "drawn.mp4")
			err := tl.Encode(tt.ctx, tt.d, tt.frames, out, nil)
			if err == nil || tt.want != nil && !errors.Is(err, tt.want) {
				t.Errorf("got %v, want %v", err, tt.want)
			}
			if _, err := os.Stat(out); err == nil {
				t.Error("something was left behind")
			}
		})
	}
}
