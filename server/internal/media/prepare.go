package media

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"

	"sideport/annotate"
)

// The sides of what we make, in pixels.
const (
	copySide   = 3840 // larger pictures are beyond what browsers decode in hardware
	posterSide = 960
	stillSide  = 480
	photoSide  = 3840
)

// recipe is how the served copy of a film is made.
type recipe struct {
	muxer     string // mp4, webm
	mediaType string
	video     []string // how the picture is made: copied or encoded
	audio     []string // nil when silent
}

// Prepare makes the copy of a film that is served: one picture, one sound and
// nothing else. What browsers play is copied bit by bit; the rest is encoded
// as H.264 and AAC in MP4, upright, with the frames at their own times. The
// clock of the copy is that of the film. The same film gives the same bytes.
// film is what [Tools.Probe] said; done, which may be nil, is told how much is
// done, from 0 to 1. On error nothing stays at out.
func (t *Tools) Prepare(ctx context.Context, in string, film annotate.Film, out string, done func(fraction float64)) (mediaType string, err error) {
	d, err := t.look(ctx, in)
	if err != nil {
		return "", err
	}
	d.Film.Duration, d.Film.Rate, d.Film.Variable = film.Duration, film.Rate, film.Variable
	if out, err = filepath.Abs(out); err != nil {
		return "", fmt.Errorf("prepare a film: %w", err)
	}
	r := plan(d)
	j := job{
		tool: t.ffmpeg, args: prepareArgs(d, r, out), pixels: maxPixels,
		budget: whole(d.Duration, 1<<30+10*d.Size),
		stdout: progress(d.Duration, done),
	}
	if err := t.run(ctx, j); err != nil {
		remove(out)
		return "", unreadable(err)
	}
	if err := t.complete(ctx, d, out); err != nil {
		remove(out)
		return "", err
	}
	return r.mediaType, nil
}

// complete holds the copy against the film: as long, and still a film.
func (t *Tools) complete(ctx context.Context, d details, out string) error {
	made, err := t.look(ctx, out)
	if err != nil {
		return fmt.Errorf("look at the prepared copy: %w", err)
	}
	if slack := max(2*annotate.Second, d.Duration/50); made.Duration < d.Duration-slack {
		return refuse(nil, "this film says that it lasts %v but plays only until %v; it may be damaged: copy it again from the recorder", d.Duration.Clock(), made.Duration.Clock())
	}
	return nil
}

// plan decides what is copied and what is encoded. Browsers play H.264 with
// AAC or MP3 in MP4, VP8 and VP9 with Opus in WebM, and AV1 in both, all of
// 8 bits and 4:2:0. Vorbis plays too but its header carries the recording's
// tags, so it is encoded anew.
func plan(d details) recipe {
	copied := []string{"-c:v", "copy"}
	plain := d.video.PixelFormat == "yuv420p" || d.video.PixelFormat == "yuvj420p"
	mp4 := recipe{muxer: "mp4", mediaType: "video/mp4"}
	webm := recipe{muxer: "webm", mediaType: "video/webm", video: copied}
	switch {
	case plain && d.VideoCodec == "h264" && !interlaced(d.video):
		mp4.video = append(copied, "-bsf:v", "filter_units=remove_types=6")
	case plain && (d.VideoCodec == "vp8" || d.VideoCodec == "vp9") && !turnedAtAll(d.video):
		webm.audio = sound(d, []string{"opus"}, "libopus", "128k")
		return webm
	case plain && d.VideoCodec == "av1" && d.AudioCodec == "opus" && !turnedAtAll(d.video):
		webm.video = append(copied, "-bsf:v", "filter_units=remove_types=5")
		webm.audio = sound(d, []string{"opus"}, "libopus", "128k")
		return webm
	case plain && d.VideoCodec == "av1":
		mp4.video = append(copied, "-bsf:v", "filter_units=remove_types=5")
	default:
		mp4.video = encoded(d)
	}
	mp4.audio = sound(d, []string{"aac", "mp3"}, "aac", "160k")
	return mp4
}

// sound copies what may be copied and encodes the rest, in stereo.
func sound(d details, plays []string, encoder, rate string) []string {
	if d.audio == nil {
		return nil
	}
	if slices.Contains(plays, d.AudioCodec) {
		return []string{"-c:a", "copy"}
	}
	return []string{"-c:a", encoder, "-b:a", rate, "-ac", "2", "-ar", "48000", "-metadata:s:a", maker}
}

// encoded is the picture as H.264. Frames keep their own times, so that the
// encoder must count in the film's own ticks and not in frames of one length.
func encoded(d details) []string {
	filter := toned(d.video) + scaled(d, copySide) + ",format=yuv420p"
	if interlaced(d.video) {
		filter = "yadif=mode=send_frame," + filter
	}
	return []string{
		"-vf", filter,
		"-c:v", "libx264", "-preset", "veryfast", "-crf", "20", "-threads", threads,
		"-force_key_frames", "expr:gte(t,n_forced*2)",
		"-fps_mode", "passthrough", "-enc_time_base", "-1",
		"-bsf:v", "filter_units=remove_types=6", "-metadata:s:v", maker,
	}
}

// maker stands where ffmpeg would name the encoder of a track: it writes one or
// the other.
const maker = "encoder=sideport"

// prepareArgs is the call of ffmpeg. Supplemental messages in the picture
// itself (H.264 SEI, AV1 metadata) go too: camcorders write date and place there.
func prepareArgs(d details, r recipe, out string) []string {
	args := quiet("-progress", "pipe:1", "-stats_period", "0.5")
	args = append(args, input(d.format, d.path, maxPixels)...)
	args = append(args, "-map", "0:"+strconv.Itoa(d.video.Index))
	if d.audio != nil {
		args = append(args, "-map", "0:"+strconv.Itoa(d.audio.Index))
	}
	args = append(append(args, r.video...), r.audio...)
	args = append(args, clean()...)
	if r.muxer == "mp4" {
		args = append(args, "-movflags", "+faststart", "-write_tmcd", "0")
	} else {
		args = append(args, "-cues_to_front", "1")
	}
	return append(args, output(r.muxer, out)...)
}

func interlaced(s stream) bool {
	return slices.Contains([]string{"tt", "bb", "tb", "bt"}, s.Order)
}

// turnedAtAll says whether the picture is shown other than it is stored, which
// WebM cannot say.
func turnedAtAll(s stream) bool {
	return slices.ContainsFunc(s.Side, func(side sideData) bool { return side.Rotation != 0 })
}

// progress reads what ffmpeg -progress writes and tells done, rising to 1.
func progress(whole annotate.Time, done func(float64)) *lines {
	last := 0.0
	return &lines{each: func(line string) {
		key, value, _ := strings.Cut(line, "=")
		f := last
		switch us, err := strconv.ParseInt(value, 10, 64); {
		case key == "progress" && value == "end":
			f = 1
		case key == "out_time_us" && err == nil && whole > 0:
			f = min(float64(us)/float64(whole), 1)
		}
		if done != nil && f > last {
			last = f
			done(f)
		}
	}}
}

// made says whether a child left something at path.
func made(path string) bool {
	info, err := os.Stat(path)
	return err == nil && info.Size() > 0
}
