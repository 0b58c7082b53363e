package media

import (
	"bytes"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"sideport/annotate"
)

func prepare(t *testing.T, tl *Tools, in string) (out, mediaType string) {
	t.Helper()
	f, err := tl.Probe(t.Context(), in)
	if err != nil {
		t.Fatal(err)
	}
	out = filepath.Join(t.TempDir(), "copy")
	last := 0.0
	mediaType, err = tl.Prepare(t.Context(), in, f, out, func(f float64) {
		if f <= last || f > 1 {
			t.Errorf("progress went from %v to %v", last, f)
		}
		last = f
	})
	if err != nil {
		t.Fatal(err)
	}
	if last != 1 {
		t.Errorf("progress ended at %v", last)
	}
	return out, mediaType
}

// The decision what to copy and what to encode.
func TestPlan(t *testing.T) {
	tests := []struct {
		video, pixels, order, audio string
		rotation                    float64
		mediaType                   string
		videoCopied                 bool
		sound                       string
	}{
		{"h264", "yuv420p", "progressive", "aac", 0, "video/mp4", true, "copy"},
		{"h264", "yuvj420p", "", "mp3", -90, "video/mp4", true, "copy"},
		{"h264", "yuv420p", "", "", 0, "video/mp4", true, ""},
		{"h264", "yuv420p", "", "pcm_s16le", 0, "video/mp4", true, "aac"},
		{"h264", "yuv420p", "", "opus", 0, "video/mp4", true, "aac"},
		{"h264", "yuv420p", "tt", "aac", 0, "video/mp4", false, "copy"},
		{"h264", "yuv420p10le", "", "aac", 0, "video/mp4", false, "copy"},
		{"h264", "yuv422p", "", "aac", 0, "video/mp4", false, "copy"},
		{"hevc", "yuv420p", "", "aac", 0, "video/mp4", false, "copy"},
		{"vp9", "yuv420p", "", "opus", 0, "video/webm", true, "copy"},
		{"vp8", "yuv420p", "", "vorbis", 0, "video/webm", true, "libopus"},
		{"vp9", "yuv420p", "", "aac", 0, "video/webm", true, "libopus"},
		{"vp9", "yuv420p", "", "opus", 90, "video/mp4", false, "aac"},
		{"vp9", "yuv420p10le", "", "opus", 0, "video/mp4", false, "aac"},
		{"av1", "yuv420p", "", "opus", 0, "video/webm", true, "copy"},
		{"av1", "yuv420p", "", "aac", 0, "video/mp4", true, "copy"},
		{"av1", "yuv420p", "", "", 0, "video/mp4", true, ""},
		{"mpeg4", "yuv420p", "", "ac3", 0, "video/mp4", false, "aac"},
	}
	for _, tt := range tests {
		t.Run(strings.Join([]string{tt.video, tt.pixels, tt.order, tt.audio}, " "), func(t *testing.T) {
			d := details{video: stream{Codec: tt.video, PixelFormat: tt.pixels, Order: tt.order}}
			d.VideoCodec, d.AudioCodec, d.Width, d.Height = tt.video, tt.audio, 640, 480
			if tt.rotation != 0 {
				d.video.Side = []sideData{{Rotation: tt.rotation}}
			}
			if tt.audio != "" {
				d.audio = &stream{Index: 1, Codec: tt.audio}
			}
			r := plan(d)
			sound := ""
			if r.audio != nil {
				sound = r.audio[1]
			}
			if copied := slices.Contains(r.video, "copy"); r.mediaType != tt.mediaType || copied != tt.videoCopied || sound != tt.sound {
				t.Errorf("got %s, picture copied %v, sound %q; want %s, %v, %q", r.mediaType, copied, sound, tt.mediaType, tt.videoCopied, tt.sound)
			}
		})
	}
}

// What is made is what browsers play, as long as the film and of its size.
func TestPrepare(t *testing.T) {
	tl := tools(t)
	tests := []struct {
		name, path, mediaType, video, audio string
		width, height                       int
	}{
		{"copied", film(t, "a.mkv", pictures+tone+h264+"-c:a aac"), "video/mp4", "h264", "aac", 64, 48},
		{"sound encoded", film(t, "a.mov", pictures+tone+h264+"-c:a pcm_s16le"), "video/mp4", "h264", "aac", 64, 48},
		{"fragments joined", film(t, "a.mp4", pictures+h264+"-movflags empty_moov+frag_keyframe"), "video/mp4", "h264", "", 64, 48},
		{"portrait copied", turned(t, film(t, "a.mp4", pictures+h264)), "video/mp4", "h264", "", 48, 64},
		{"portrait encoded", turned(t, film(t, "a.mp4", pictures+"-c:v mpeg4")), "video/mp4", "h264", "", 48, 64},
		{"ten bits", film(t, "a.mp4", pictures+"-c:v libx265 -preset ultrafast -pix_fmt yuv420p10le -color_trc arib-std-b67 -colorspace bt2020nc -color_primaries bt2020 -x265-params log-level=none"), "video/mp4", "h264", "", 64, 48},
		{"odd sides", film(t, "a.mkv", "-f lavfi -i testsrc=s=65x49:r=25:d=2 -c:v libx264 -pix_fmt yuv444p"), "video/mp4", "h264", "", 64, 48},
		{"wide pixels", film(t, "a.mkv", pictures+"-c:v mpeg4 -vf setsar=16/12"), "video/mp4", "h264", "", 84, 48},
		{"the clock does not begin at 0", film(t, "a.mkv", pictures+tone+h264+"-c:a aac -output_ts_offset 20"), "video/mp4", "h264", "aac", 64, 48},
		{"webm", film(t, "a.webm", pictures+tone+"-c:v libvpx -deadline realtime -c:a libvorbis"), "video/webm", "vp8", "opus", 64, 48},
		{"av1", film(t, "a.mkv", pictures+"-pix_fmt yuv420p -c:v libaom-av1 -usage realtime -cpu-used 8"), "video/mp4", "av1", "", 64, 48},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			out, mediaType := prepare(t, tl, tt.path)
			was, err := tl.Probe(t.Context(), tt.path)
			if err != nil {
				t.Fatal(err)
			}
			is, err := tl.Probe(t.Context(), out)
			if err != nil {
				t.Fatal(err)
			}
			if mediaType != tt.mediaType || is.VideoCodec != tt.video || is.AudioCodec != tt.audio || is.Width != tt.width || is.Height != tt.height {
				t.Errorf("got %s, %+v", mediaType, is)
			}
			if off := is.Duration - was.Duration; off > annotate.Second/10 || off < -annotate.Second/10 || is.Rate != was.Rate {
				t.Errorf("the film lasts %v at %v, the copy %v at %v", was.Duration, was.Rate, is.Duration, is.Rate)
			}
			if v := ask(t, out).of("video"); v["pix_fmt"] != "yuv420p" || v["sample_aspect_ratio"] != "1:1" && tt.video == "h264" && tt.name != "copied" {
				t.Errorf("pixels %v, aspect %v", v["pix_fmt"], v["sample_aspect_ratio"])
			}
			if b := contents(t, out); mediaType == "video/mp4" && bytes.Index(b, []byte("moov")) > bytes.Index(b, []byte("mdat")) {
				t.Error("the table of contents comes last: playing could not start at once")
			}
			if !strings.Contains(tt.name, "encoded") && mediaType == "video/mp4" {
				return // copying again is quick to check, and checked enough
			}
			again, _ := prepare(t, tl, tt.path)
			if !bytes.Equal(contents(t, out), contents(t, again)) {
				t.Error("the same film gave other bytes the second time")
			}
		})
	}
}

// Encoding keeps every frame at its own time, uneven as it may be.
func TestPrepareKeepsTimes(t *testing.T) {
	tl := tools(t)
	in := film(t, "vfr.mkv", "-f lavfi -i testsrc=s=64x48:r=30000/1001:d=3 -vf select=not(eq(mod(n\\,7)\\,3)) -fps_mode vfr -c:v mpeg4")
	out, _ := prepare(t, tl, in)
	was, is := times(t, in), times(t, out)
	if len(was) != len(is) || len(was) < 50 {
		t.Fatalf("%d frames became %d", len(was), len(is))
	}
	for i := range was {
		if d := was[i] - is[i]; d > 0.0015 || d < -0.0015 {
			t.Errorf("frame %d moved from %v to %v", i, was[i], is[i])
		}
	}
}

func times(t *testing.T, path string) []float64 {
	t.Helper()
	out, err := exec.Command("ffprobe", "-v", "error", "-select_streams", "v:0", "-show_entries", "packet=pts_time", "-of", "compact=p=0", path).Output()
	if err != nil {
		t.Fatal(err)
	}
	var at []float64
	for line := range strings.Lines(string(out)) {
		at = append(at, parsePacket(strings.TrimSpace(line)).at)
	}
	slices.Sort(at)
	return at
}

// Nothing that names a person, a place or a machine is left in what is served.
func TestPrepareScrubs(t *testing.T) {
	tl := tools(t)
	chapters := file(t, "chapters.txt", []byte(";FFMETADATA1\ntitle=MARKERtitle\n[CHAPTER]\nTIMEBASE=1/1000\nSTART=0\nEND=1000\ntitle=MARKERchapter\n"))
	words := file(t, "words.srt", []byte("1\n00:00:00,000 --> 00:00:01,000\nMARKERwords\n"))
	cover := film(t, "cover.jpg", "-f lavfi -i testsrc=s=32x32 -frames:v 1")
	font := file(t, "MARKERfont.ttf", []byte("MARKERattached"))
	tags := " -metadata location=+52.5+013.4/MARKERplace -metadata creation_time=2021-02-03T04:05:06Z -metadata make=MARKERmake -metadata model=MARKERmodel -metadata comment=MARKERcomment -metadata:s:v title=MARKERstream -metadata:s:v handler_name=MARKERhandler -metadata:s:a language=deu -metadata:s:a title=MARKERsound "
	sei := "-bsf:v h264_metadata=sei_user_data=086f3693-b7b3-4f2c-9653-21492feee5b8+MARKERsei "
	x264 := "-c:v:0 libx264 -preset ultrafast -pix_fmt:v:0 yuv420p "
	maps := pictures + tone + "-i " + chapters + " -i " + words + " -i " + cover + " -map 0 -map 1 "
	meta := "-map_metadata 2 -map_chapters 2 "
	tests := []struct{ name, path string }{
		{"copied MP4", film(t, "a.mp4", maps+"-map 4 -map 3 -c:s mov_text -c:v:1 copy -disposition:v:1 attached_pic -timecode 01:02:03:04 -movflags use_metadata_tags "+x264+strings.Replace(sei, "bsf:v", "bsf:v:0", 1)+meta+tags)},
		{"copied MOV", film(t, "a.mov", maps+x264+sei+meta+tags+"-timecode 01:02:03:04 -c:a pcm_s16le")},
		{"copied MKV", film(t, "a.mkv", maps+"-map 3 -c:s srt -attach "+font+" -metadata:s:t mimetype=font/ttf "+x264+sei+meta+tags+"-c:a aac")},
		{"encoded MKV", film(t, "b.mkv", maps+"-map 3 -c:s srt -c:v mpeg4 -c:a flac "+meta+tags)},
		{"copied WebM", film(t, "a.webm", maps+"-c:v libvpx -deadline realtime -c:a libvorbis "+meta+tags)},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			if !bytes.Contains(contents(t, tt.path), []byte("MARKER")) {
				t.Fatal("the test film has no marks to lose")
			}
			out, _ := prepare(t, tl, tt.path)
			b := contents(t, out)
			for _, mark := range []string{"MARKER", "x264", "Lavf5", "libx", "libopus", "2021-02"} {
				if at := bytes.Index(b, []byte(mark)); at >= 0 {
					t.Errorf("the copy holds %q", b[max(at-20, 0):min(at+40, len(b))])
				}
			}
			f := ask(t, out)
			if len(f.Streams) != 2 || len(f.Chapters) != 0 {
				t.Errorf("%d tracks, %d chapters", len(f.Streams), len(f.Chapters))
			}
			structure := []string{"major_brand", "minor_version", "compatible_brands", "handler_name", "vendor_id", "language", "DURATION", "ENCODER", "encoder"}
			for _, s := range append(f.Streams, f.Format) {
				tags, _ := s["tags"].(map[string]any)
				for k, v := range tags {
					own := slices.Contains([]any{"VideoHandler", "SoundHandler", "und", "Lavf", "sideport", "[0][0][0][0]"}, v) || strings.Contains(k, "brand") || k == "minor_version" || k == "DURATION"
					if !slices.Contains(structure, k) || !own {
						t.Errorf("the copy has the tag %s=%v", k, v)
					}
				}
			}
		})
	}
}

// What goes wrong leaves no copy.
func TestPrepareFails(t *testing.T) {
	tl := tools(t)
	in := film(t, "a.mkv", "-f lavfi -i testsrc=s=320x240:r=25:d=8 -c:v mpeg4")
	f, err := tl.Probe(t.Context(), in)
	if err != nil {
		t.Fatal(err)
	}
	broken := contents(t, in)
	for i := len(broken) / 4; i < len(broken); i++ {
		broken[i] = byte(i * 7)
	}
	small := *tl
	small.memory = 64 << 20
	tests := []struct {
		name  string
		tl    *Tools
		in    string
		cause annotate.Cause
	}{
		{"damaged in the middle", tl, file(t, "broken.mkv", broken), annotate.Invalid},
		{"not enough memory", &small, in, annotate.Invalid},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			out := filepath.Join(t.TempDir(), "copy")
			_, err := tt.tl.Prepare(t.Context(), tt.in, f, out, nil)
			if annotate.CauseOf(err) != tt.cause {
				t.Errorf("got %v", err)
			}
			if _, err := os.Stat(out); err == nil {
				t.Error("a copy was left behind")
			}
		})
	}
}
