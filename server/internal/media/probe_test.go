package media

import (
	"bytes"
	"errors"
	"io/fs"
	"os/exec"
	"strconv"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"sideport/annotate"
)

// What we say of a film is what ffprobe says of it.
func TestProbeAgrees(t *testing.T) {
	tl := tools(t)
	tests := []struct {
		name, args string
		want       annotate.Film
	}{
		{"h264.mp4", pictures + tone + h264 + "-c:a aac", annotate.Film{Container: "mp4", VideoCodec: "h264", AudioCodec: "aac"}},
		{"h264.mov", "-f lavfi -i testsrc=s=64x48:r=30000/1001:d=2 " + tone + h264 + "-c:a pcm_s16le", annotate.Film{Container: "mov", VideoCodec: "h264", AudioCodec: "pcm_s16le"}},
		{"h265.mp4", pictures + "-c:v libx265 -preset ultrafast -x265-params log-level=none", annotate.Film{Container: "mp4", VideoCodec: "hevc"}},
		{"vp9.webm", pictures + tone + "-c:v libvpx-vp9 -deadline realtime -cpu-used 8 -c:a libopus", annotate.Film{Container: "webm", VideoCodec: "vp9", AudioCodec: "opus"}},
		{"av1.mp4", pictures + "-c:v libaom-av1 -usage realtime -cpu-used 8", annotate.Film{Container: "mp4", VideoCodec: "av1"}},
		{"ntsc.mkv", "-f lavfi -i testsrc=s=64x48:r=30000/1001:d=2 " + tone + h264 + "-c:a libvorbis", annotate.Film{Container: "mkv", VideoCodec: "h264", AudioCodec: "vorbis"}},
		{"fifty.mp4", "-f lavfi -i testsrc=s=64x48:r=50:d=2 " + h264, annotate.Film{Container: "mp4", VideoCodec: "h264"}},
		{"fragments.mp4", pictures + h264 + "-movflags empty_moov+frag_keyframe", annotate.Film{Container: "mp4", VideoCodec: "h264"}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			path := film(t, tt.name, tt.args)
			got, err := tl.Probe(t.Context(), path)
			if err != nil {
				t.Fatal(err)
			}
			f := ask(t, path)
			v := f.of("video")
			tt.want.Width, tt.want.Height = int(v["width"].(float64)), int(v["height"].(float64))
			tt.want.Rate, _ = annotate.ParseRate(v["r_frame_rate"].(string))
			secs, _ := strconv.ParseFloat(f.Format["duration"].(string), 64)
			tt.want.Duration = annotate.FromSeconds(secs)
			tt.want.Size, _ = strconv.ParseInt(f.Format["size"].(string), 10, 64)
			if v["codec_name"] != tt.want.VideoCodec || f.of("audio") != nil && f.of("audio")["codec_name"] != tt.want.AudioCodec {
				t.Fatalf("the test film is not what it should be: %v", f.Streams)
			}
			if diff := cmp.Diff(tt.want, got); diff != "" {
				t.Errorf("ffprobe (-) and we (+) differ:\n%s", diff)
			}
		})
	}
}

// Films that are unusual and yet an ordinary day.
func TestProbeUnusual(t *testing.T) {
	tl := tools(t)
	plain := film(t, "plain.mp4", pictures+h264)
	cover := film(t, "cover.jpg", "-f lavfi -i testsrc=s=320x240 -frames:v 1")
	whole := film(t, "whole.mp4", pictures+h264+"-g 5 -movflags empty_moov+frag_keyframe")
	tests := []struct {
		name  string
		path  string
		check func(f annotate.Film) bool
	}{
		{"portrait", turned(t, plain), func(f annotate.Film) bool { return f.Width == 48 && f.Height == 64 }},
		{"wide pixels", film(t, "anamorphic.mp4", pictures+h264+"-vf setsar=16/12"), func(f annotate.Film) bool { return f.Width == 85 && f.Height == 48 }},
		{"silent", plain, func(f annotate.Film) bool { return f.AudioCodec == "" }},
		{"two pictures, the default goes first", film(t, "two.mkv", pictures+"-f lavfi -i testsrc=s=128x96:r=25:d=2 -map 0 -map 1 -disposition:v:0 default -disposition:v:1 0 "+h264),
			func(f annotate.Film) bool { return f.Width == 64 }},
		{"two pictures, the larger goes first", film(t, "two.mkv", pictures+"-f lavfi -i testsrc=s=128x96:r=25:d=2 -map 0 -map 1 -disposition:v 0 "+h264),
			func(f annotate.Film) bool { return f.Width == 128 }},
		{"four hours", film(t, "long.mp4", "-f lavfi -i color=s=16x16:r=1/4:d=14400 "+h264), func(f annotate.Film) bool { return f.Duration == 4*annotate.Hour && !f.Variable }},
		{"start timecode", film(t, "tc.mov", "-f lavfi -i testsrc=s=64x48:r=30000/1001:d=1 -timecode 01:02:03;04 "+h264), func(f annotate.Film) bool { return f.StartTimecode == "01:02:03;04" }},
		{"start timecode in Matroska", film(t, "tc.mkv", pictures+"-timecode 10:00:00:00 "+h264), func(f annotate.Film) bool { return f.StartTimecode == "10:00:00:00" }},
		{"uneven frames", film(t, "vfr.mp4", pictures+"-vf select=not(eq(mod(n\\,7)\\,3)) -fps_mode vfr "+h264), func(f annotate.Film) bool { return f.Variable && f.Rate.Float() < 24 }},
		{"a pause at the end", film(t, "pause.mp4", "-f lavfi -i testsrc=s=64x48:r=25:d=30 -vf select='not(between(n,300,374))+gte(n,700)*0' -fps_mode vfr "+h264), func(f annotate.Film) bool { return f.Variable }},
		{"interlaced", film(t, "fields.mp4", pictures+h264+"-flags +ilme+ildct -top 1"), func(f annotate.Film) bool { return !f.Variable && f.Rate.Float() == 25 }},
		{"written live", film(t, "live.webm", pictures+"-c:v libvpx -deadline realtime -live 1"), func(f annotate.Film) bool { return f.Duration == 2*annotate.Second }},
		{"written live, Matroska", file(t, "live.mkv", pipe(t, pictures+h264+"-f matroska")), func(f annotate.Film) bool { return f.Duration == 2*annotate.Second }},
		{"fragments, the last cut off", file(t, "cut.mp4", contents(t, whole)[:len(contents(t, whole))*3/4]), func(f annotate.Film) bool {
			return f.Duration > annotate.Second && f.Duration < 2*annotate.Second
		}},
		{"cover art beside it", film(t, "cover.mp4", pictures+"-i "+cover+" -map 0 -map 1 -c:v:0 libx264 -pix_fmt:v:0 yuv420p -c:v:1 copy -disposition:v:1 attached_pic"), func(f annotate.Film) bool { return f.Width == 64 && f.VideoCodec == "h264" }},
		{"a hostile name", rename(t, plain, "-i http:x %d\n.mp4"), func(f annotate.Film) bool { return f.Width == 64 }},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			got, err := tl.Probe(t.Context(), tt.path)
			if err != nil || !tt.check(got) {
				t.Errorf("got %+v, %v", got, err)
			}
		})
	}
}

func rename(t *testing.T, path, name string) string { return file(t, name, contents(t, path)) }

// pipe is what ffmpeg writes where it cannot go back, as live recorders do.
func pipe(t *testing.T, args string) []byte {
	t.Helper()
	out, err := exec.Command("ffmpeg", append(strings.Fields("-v error -nostdin "+args), "pipe:1")...).Output()
	if err != nil {
		t.Fatal(err)
	}
	return out
}

// Files that are refused, each with its sentence.
func TestProbeRefuses(t *testing.T) {
	tl := tools(t)
	plain := film(t, "plain.mp4", pictures+tone+h264+"-c:a aac")
	front := film(t, "front.mp4", pictures+h264+"-movflags faststart")
	mkv := film(t, "plain.mkv", pictures+h264)
	half := func(path string) []byte { b := contents(t, path); return b[:len(b)*2/3] }
	elsewhere := inBox(t, contents(t, plain), "moov/trak/mdia/minf/dinf/dref", func(b []byte) []byte {
		return append(b[:8], box("url ", []byte("\x00\x00\x00\x00file:///etc/passwd\x00"))...)
	})
	init := contents(t, film(t, "whole.mp4", pictures+h264+"-movflags empty_moov+frag_keyframe"))
	init = init[:bytes.Index(init, []byte("moof"))-4]
	tests := []struct {
		name, path, say string
	}{
		{"not a film", file(t, "words.mp4", []byte("Dear colleague,\n")), "a kind not known here"},
		{"zero bytes", file(t, "empty.mp4", nil), "empty (0 bytes)"},
		{"one byte", file(t, "one.mp4", []byte("x")), "a kind not known here"},
		{"a folder", t.TempDir(), "not a file but a folder"},
		{"no table", file(t, "cut.mp4", half(plain)), "before its table of contents"},
		{"pictures cut short", file(t, "cut.mp4", half(front)), "this film breaks off"},
		{"matroska cut short", file(t, "cut.mkv", half(mkv)), "this film breaks off"},
		{"only a head", file(t, "head.mp4", contents(t, plain)[:32]), "before its table of contents"},
		{"bytes in another file", file(t, "ref.mov", elsewhere), "lie in another file"},
		{"a reference film", file(t, "ref.mov", box("moov", box("rmra", nil))), "lie in another file"},
		{"encrypted", film(t, "locked.mp4", pictures+h264+"-encryption_scheme cenc-aes-ctr -encryption_key 00112233445566778899aabbccddeeff -encryption_kid 112233445566778899aabbccddeeff00"), "encrypted"},
		{"sound alone", film(t, "sound.mp4", tone+"-c:a aac"), "sound but no moving picture"},
		{"a photograph", film(t, "photo.jpg", pictures+"-frames:v 1"), "a photograph (JPEG)"},
		{"an AVI", film(t, "film.avi", pictures+"-c:v mpeg4"), "an AVI film"},
		{"a transport stream", film(t, "film.ts", pictures+h264), "MPEG transport stream"},
		{"no moving picture at all", file(t, "none.mp4", append(box("ftyp", []byte("isom\x00\x00\x00\x00")), box("moov", box("mvhd", make([]byte, 100)))...)), "no moving picture"},
		{"noise after the head", file(t, "noise.mp4", append(box("ftyp", []byte("isom\x00\x00\x00\x00")), box("moov", bytes.Repeat([]byte{0xff, 7, 1}, 300))...)), "no moving picture"},
		{"no length", file(t, "init.mp4", init), "no length"},
		{"too many tracks", film(t, "many.mkv", "-f lavfi -i anullsrc=d=0.1 "+pictures+strings.Repeat("-map 0 ", 32)+"-map 1 -c:a pcm_s16le "+h264), "33 tracks"},
		{"too long", film(t, "long.mp4", "-f lavfi -i color=s=16x16:r=1/4000:d=400000 "+h264), "longest that can be added is 100 hours"},
		{"too wide", film(t, "wide.mp4", "-f lavfi -i color=s=8208x16:d=0.1 "+h264), "a side of more than 8192"},
		{"too many pixels", film(t, "large.mkv", "-f lavfi -i color=s=8000x5000:d=0.04 "+h264), "more than 37 million pixels"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			got, err := tl.Probe(t.Context(), tt.path)
			if err == nil {
				t.Fatalf("accepted as %+v", got)
			}
			refused(t, err, annotate.Invalid, tt.say)
		})
	}
	if _, err := tl.Probe(t.Context(), "/no/such/film.mp4"); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("a film that is not there: %v", err)
	}
}
