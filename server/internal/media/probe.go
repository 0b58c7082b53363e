package media

import (
	"cmp"
	"context"
	"encoding/json"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"sideport/annotate"
)

// details is a film with what the tools must know to work on it.
type details struct {
	annotate.Film
	format format
	path   string
	video  stream
	audio  *stream // nil when silent
}

// answer is the part of ffprobe's JSON that we read.
type answer struct {
	Streams []stream `json:"streams"`
	Format  struct {
		Duration string            `json:"duration"`
		Start    string            `json:"start_time"`
		Tags     map[string]string `json:"tags"`
	} `json:"format"`
}

type stream struct {
	Index       int               `json:"index"`
	Kind        string            `json:"codec_type"`
	Codec       string            `json:"codec_name"`
	Width       int               `json:"width"`
	Height      int               `json:"height"`
	Aspect      string            `json:"sample_aspect_ratio"` // of a pixel, "16:15"
	PixelFormat string            `json:"pix_fmt"`
	Order       string            `json:"field_order"`
	Transfer    string            `json:"color_transfer"`
	Nominal     string            `json:"r_frame_rate"`
	Average     string            `json:"avg_frame_rate"`
	TimeBase    string            `json:"time_base"`
	Default     map[string]int    `json:"disposition"`
	Tags        map[string]string `json:"tags"`
	Side        []sideData        `json:"side_data_list"`
}

type sideData struct {
	Rotation float64 `json:"rotation"` // degrees, against the clock
}

// Probe says what a film is: from its bytes first, then as ffprobe reads it. A
// file that is no film, or one beyond the limits, is a fault with a sentence.
func (t *Tools) Probe(ctx context.Context, path string) (annotate.Film, error) {
	d, err := t.look(ctx, path)
	if err != nil {
		return annotate.Film{}, err
	}
	if d.Duration <= 0 || d.format.measured {
		if d.Duration, err = t.measure(ctx, d); err != nil {
			return annotate.Film{}, err
		}
	}
	if d.Duration <= 0 {
		return annotate.Film{}, refuse(nil, "this film has no length: it holds no pictures that follow one another; copy it again from the recorder")
	}
	if d.Duration > annotate.MaxTime {
		return annotate.Film{}, refuse(nil, "this film says that it lasts %v; the longest that can be added is %d hours: cut it first", d.Duration.Clock(), annotate.MaxTime/annotate.Hour)
	}
	even, err := t.even(ctx, d)
	if err != nil {
		return annotate.Film{}, err
	}
	d.Rate, d.Variable = rateOf(d.video, even)
	if !d.Rate.Valid() {
		return annotate.Film{}, refuse(nil, "this film has no frame rate: it holds no pictures that follow one another; copy it again from the recorder")
	}
	return d.Film, nil
}

// look decides the format and asks ffprobe, once.
func (t *Tools) look(ctx context.Context, path string) (details, error) {
	d := details{}
	path, size, err := regular(path)
	if err != nil {
		return d, err
	}
	f, err := os.Open(path)
	if err != nil {
		return d, fmt.Errorf("read a film: %w", err)
	}
	defer f.Close()
	if d.format, err = sniffFilm(f, size); err != nil {
		return d, err
	}
	d.path, d.Size = path, size
	out := &bounded{max: 4 << 20}
	err = t.run(ctx, job{tool: t.ffprobe, args: probeArgs(d.format, path), budget: short, pixels: maxPixels, stdout: out})
	if err != nil {
		return d, unreadable(err)
	}
	var a answer
	if err := json.Unmarshal(out.b, &a); err != nil {
		return d, faultUnreadable(fmt.Errorf("read what ffprobe says: %w", err))
	}
	return d, d.take(a)
}

// unreadable turns a child's unexplained end into words; faults and the end of
// ctx pass.
func unreadable(err error) error {
	if _, ok := err.(*childError); ok {
		return faultUnreadable(err)
	}
	return err
}

// regular gives the absolute path and the size of an ordinary file.
func regular(path string) (string, int64, error) {
	abs, err := filepath.Abs(path)
	if err != nil {
		return "", 0, fmt.Errorf("read a film: %w", err)
	}
	info, err := os.Stat(abs)
	if err != nil {
		return "", 0, fmt.Errorf("read a film: %w", err)
	}
	if !info.Mode().IsRegular() {
		return "", 0, refuse(nil, "this is not a file but a %s; %s", kindOf(info.Mode()), wanted)
	}
	return abs, info.Size(), nil
}

func kindOf(m os.FileMode) string {
	if m.IsDir() {
		return "folder"
	}
	return "device or pipe"
}

// take fills d from ffprobe's answer, or says why the film cannot be used.
func (d *details) take(a answer) error {
	if len(a.Streams) > maxStreams {
		return refuse(nil, "this film holds %d tracks; %d is the most that can be added: save a copy with its picture and its sound alone", len(a.Streams), maxStreams)
	}
	for _, s := range a.Streams {
		if _, locked := s.tag("enc_key_id"); locked {
			return faultEncrypted()
		}
	}
	v, ok := pickVideo(a.Streams)
	if !ok {
		if slices.ContainsFunc(a.Streams, func(s stream) bool { return s.Kind == "audio" }) {
			return refuse(nil, "this file holds sound but no moving picture: %s with a picture", wanted)
		}
		return refuse(nil, "this file holds no moving picture: %s with one", wanted)
	}
	d.video = v
	d.Container, d.VideoCodec = d.format.container, v.Codec
	d.Width, d.Height = v.shown()
	switch {
	case v.Codec == "" || v.Codec == "unknown":
		return refuse(nil, "the picture of this film is in a form that is not known here; save it as H.264 in MP4 and add that")
	case v.Width <= 0 || v.Height <= 0:
		return faultUnreadable(fmt.Errorf("no picture size"))
	case max(v.Width, v.Height, d.Width, d.Height) > maxSide || v.Width*v.Height > maxPixels:
		return faultPixels(nil, maxPixels)
	}
	if s, ok := pickAudio(a.Streams); ok {
		d.audio, d.AudioCodec = &s, s.Codec
	}
	d.Duration = seconds(a.Format.Duration)
	if d.format.demuxer == "matroska" && seconds(a.Format.Start) > annotate.Second/10 {
		d.format.measured = true // its length counts from 0; ours from the first frame
	}
	d.StartTimecode = startTimecode(a, v)
	return nil
}

// pickVideo chooses the picture: cover art is none; of several the ones marked
// as default go first, of these the largest, of these the first.
func pickVideo(all []stream) (stream, bool) {
	var best stream
	found, rank := false, -1
	for _, s := range all {
		if s.Kind != "video" || s.Default["attached_pic"] == 1 || s.Default["timed_thumbnails"] == 1 {
			continue
		}
		r := min(s.Width*s.Height, 1<<40) + s.Default["default"]<<41
		if !found || r > rank {
			best, found, rank = s, true, r
		}
	}
	return best, found
}

// pickAudio chooses the sound: the first marked as default, or the first.
func pickAudio(all []stream) (stream, bool) {
	var found []stream
	for _, s := range all {
		if s.Kind == "audio" && s.Codec != "" && s.Codec != "unknown" {
			found = append(found, s)
		}
	}
	if len(found) == 0 {
		return stream{}, false
	}
	return slices.MaxFunc(found, func(a, b stream) int { return cmp.Compare(a.Default["default"], b.Default["default"]) }), true
}

// shown is the size on the screen: square pixels, upright. No camera has pixels
// more than four times as long as wide; what says so is not believed.
func (s stream) shown() (w, h int) {
	w, h = s.Width, s.Height
	if n, d, ok := ratio(s.Aspect, ":"); ok && n/4 <= d && d/4 <= n {
		w = int(math.Round(float64(w) * float64(n) / float64(d)))
	}
	if s.turned() {
		return h, w
	}
	return w, h
}

// turned says whether the picture is shown lying on its side.
func (s stream) turned() bool {
	for _, side := range s.Side {
		if q := math.Mod(math.Abs(side.Rotation), 180); q > 45 && q < 135 {
			return true
		}
	}
	return false
}

// tag finds a tag whatever its case: Matroska writes TIMECODE.
func (s stream) tag(key string) (string, bool) { return tagOf(s.Tags, key) }

func tagOf(tags map[string]string, key string) (string, bool) {
	for k, v := range tags {
		if strings.EqualFold(k, key) {
			return v, true
		}
	}
	return "", false
}

var timecode = regexp.MustCompile(`^\d\d:[0-5]\d:[0-5]\d[:;.,]\d\d$`)

// startTimecode is that of the picture, of a timecode track, or of the file.
func startTimecode(a answer, v stream) string {
	tags := []map[string]string{v.Tags}
	for _, s := range a.Streams {
		if s.Kind == "data" {
			tags = append(tags, s.Tags)
		}
	}
	for _, t := range append(tags, a.Format.Tags) {
		if tc, ok := tagOf(t, "timecode"); ok && timecode.MatchString(tc) {
			return tc
		}
	}
	return ""
}

// seconds reads ffprobe's "2.000000"; 0 where there is none. What lies beyond
// any limit stays beyond it without overflowing.
func seconds(s string) annotate.Time {
	f, err := strconv.ParseFloat(s, 64)
	if err != nil || math.IsNaN(f) || f <= 0 {
		return 0
	}
	return annotate.FromSeconds(min(f, 2*annotate.MaxTime.Seconds()))
}

// ratio reads "30000/1001" or "16:15" of positive whole numbers.
func ratio(s, sep string) (n, d int64, ok bool) {
	a, b, _ := strings.Cut(s, sep)
	n, err1 := strconv.ParseInt(a, 10, 64)
	d, err2 := strconv.ParseInt(b, 10, 64)
	return n, d, err1 == nil && err2 == nil && n > 0 && d > 0
}
