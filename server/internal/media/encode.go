package media

import (
	"context"
	"fmt"
	"io"
	"iter"
	"path/filepath"
	"strconv"

	"sideport/annotate"
)

// Drawing says what raw frames are.
type Drawing struct {
	Width, Height int           // pixels, even
	Rate          annotate.Rate // frames a second
	Frames        int           // how many there will be
	PixelFormat   string        // "yuv420p" (planar, BT.709, video range) or "rgba"
}

// size is the number of bytes of a frame.
func (d Drawing) size() int {
	if d.PixelFormat == "rgba" {
		return d.Width * d.Height * 4
	}
	return d.Width * d.Height * 3 / 2
}

func (d Drawing) check() error {
	switch {
	case d.Width <= 0 || d.Height <= 0 || d.Width%2 != 0 || d.Height%2 != 0 || d.Width > maxSide || d.Height > maxSide:
		return fmt.Errorf("encode a drawing: %d × %d is not a picture size with even sides", d.Width, d.Height)
	case !d.Rate.Valid() || d.Frames <= 0:
		return fmt.Errorf("encode a drawing: %d frames at %v a second", d.Frames, d.Rate)
	case d.PixelFormat != "yuv420p" && d.PixelFormat != "rgba":
		return fmt.Errorf("encode a drawing: no such pixel format: %q", d.PixelFormat)
	}
	return nil
}

// Encode makes a silent H.264 MP4 of drawn frames. A frame may be overwritten
// as soon as the next is asked for; alpha is ignored. done, which may be nil,
// is told how much is done, from 0 to 1. The same frames give the same bytes.
// On error nothing stays at out.
func (t *Tools) Encode(ctx context.Context, d Drawing, frames iter.Seq[[]byte], out string, done func(fraction float64)) error {
	if err := d.check(); err != nil {
		return err
	}
	out, err := filepath.Abs(out)
	if err != nil {
		return fmt.Errorf("encode a drawing: %w", err)
	}
	err = t.run(ctx, job{
		tool: t.ffmpeg, args: encodeArgs(d, out),
		budget: whole(d.Rate.TimeOf(int64(d.Frames)), 4<<30),
		feed:   func(w io.Writer) error { return d.feed(w, frames, done) },
	})
	if err != nil {
		remove(out)
		return fmt.Errorf("encode a drawing: %w", err)
	}
	return nil
}

// feed writes the frames, which must be as many and as large as was said.
func (d Drawing) feed(w io.Writer, frames iter.Seq[[]byte], done func(float64)) error {
	n := 0
	for f := range frames {
		if len(f) != d.size() || n == d.Frames {
			return fmt.Errorf("frame %d has %d bytes; %d frames of %d bytes were announced", n, len(f), d.Frames, d.size())
		}
		if _, err := w.Write(f); err != nil {
			return err
		}
		n++
		if done != nil {
			done(float64(n) / float64(d.Frames))
		}
	}
	if n != d.Frames {
		return fmt.Errorf("%d frames came of %d", n, d.Frames)
	}
	return nil
}

// encodeArgs suits flat drawings: few colours, still grounds, hard edges. A key
// frame every two seconds makes jumps quick.
func encodeArgs(d Drawing, out string) []string {
	filter := "format=yuv420p"
	if d.PixelFormat == "rgba" {
		filter = "scale=out_color_matrix=bt709:out_range=tv:flags=accurate_rnd+full_chroma_int," + filter
	}
	args := quiet(
		"-protocol_whitelist", "file,pipe", "-f", "rawvideo", "-pixel_format", d.PixelFormat,
		"-video_size", fmt.Sprintf("%dx%d", d.Width, d.Height),
		"-framerate", fmt.Sprintf("%d/%d", d.Rate.Num, d.Rate.Den), "-i", "pipe:0",
		"-an", "-vf", filter,
		"-c:v", "libx264", "-preset", "veryfast", "-tune", "animation", "-crf", "26", "-threads", threads,
		"-g", strconv.FormatInt(max(2*d.Rate.Num/d.Rate.Den, 1), 10),
		"-colorspace", "bt709", "-color_primaries", "bt709", "-color_trc", "bt709", "-color_range", "tv",
		"-bsf:v", "filter_units=remove_types=6", "-metadata:s:v", maker, "-movflags", "+faststart")
	return append(append(args, clean()...), output("mp4", out)...)
}
