package media

import (
	"flag"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"sideport/annotate"
)

var update = flag.Bool("update", false, "write the golden files anew")

// Every call of a tool, as one golden file: what is asked of strangers' files
// changes only where somebody reads the difference.
func TestArguments(t *testing.T) {
	d := details{path: "/vault/ab/abcd", format: format{container: "mov", demuxer: "mov"}, video: stream{Index: 0, PixelFormat: "yuv420p"}}
	d.VideoCodec, d.Width, d.Height = "h264", 1920, 1080
	sound := d
	sound.audio, sound.AudioCodec = &stream{Index: 2}, "pcm_s16le"
	tall := sound
	tall.VideoCodec, tall.Width, tall.Height, tall.video.Order, tall.video.Transfer = "hevc", 2160, 7680, "tt", "arib-std-b67"
	webm := sound
	webm.VideoCodec, webm.AudioCodec, webm.format = "vp9", "opus", format{container: "webm", demuxer: "matroska"}
	draw := Drawing{Width: 960, Height: 540, Rate: annotate.Rate{Num: 30000, Den: 1001}, Frames: 10, PixelFormat: "rgba"}
	calls := []struct {
		name string
		args []string
	}{
		{"probe a MOV", probeArgs(d.format, d.path)},
		{"probe a WebM", probeArgs(webm.format, d.path)},
		{"read frames", packetArgs(d, "%+#240")},
		{"copy", prepareArgs(d, plan(d), "/out")},
		{"copy the picture, encode the sound", prepareArgs(sound, plan(sound), "/out")},
		{"encode a tall interlaced HDR film", prepareArgs(tall, plan(tall), "/out")},
		{"copy to WebM", prepareArgs(webm, plan(webm), "/out")},
		{"poster", pictureArgs(d, seek(90*annotate.Second), posterSide, "thumbnail=n=24", "/out")},
		{"still", pictureArgs(d, seek(1500*annotate.Millisecond), stillSide, "", "/out")},
		{"last frame", pictureArgs(d, []string{"-sseof", "-5"}, stillSide, "last", "/out")},
		{"photograph", photoArgs(format{demuxer: "jpeg_pipe"}, "/in", 6, "/out")},
		{"drawing", encodeArgs(draw, "/out")},
		{"limits", (&Tools{memory: 6 << 30, openFile: 64}).limited(job{tool: "/usr/bin/ffprobe", args: []string{"…"}, budget: short})},
	}
	var b strings.Builder
	for _, c := range calls {
		b.WriteString(c.name + ":\n\t" + strings.Join(c.args, "\n\t") + "\n")
	}
	golden := filepath.Join("testdata", "arguments.txt")
	if *update {
		if err := os.WriteFile(golden, []byte(b.String()), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	if diff := cmp.Diff(string(contents(t, golden)), b.String()); diff != "" {
		t.Errorf("the golden file (-) and the calls (+) differ; -update writes it anew:\n%s", diff)
	}
	for _, c := range calls[:len(calls)-1] {
		line := " " + strings.Join(c.args, " ") + " "
		if strings.Index(line, " -protocol_whitelist file,pipe ") > strings.Index(line, " -i ") || !strings.Contains(line, " -protocol_whitelist file,pipe ") {
			t.Errorf("%s: the protocols are not limited before the input", c.name)
		}
	}
}

func TestFit(t *testing.T) {
	for _, tt := range []struct{ w, h, box, wantW, wantH int }{
		{1920, 1080, 960, 960, 540},
		{1080, 1920, 960, 540, 960},
		{64, 48, 960, 64, 48},
		{65, 49, 960, 64, 48},
		{1, 1, 960, 2, 2},
		{8192, 1, 480, 480, 2},
		{7680, 4320, 3840, 3840, 2160},
		{854, 480, 480, 480, 270},
	} {
		if w, h := fit(tt.w, tt.h, tt.box); w != tt.wantW || h != tt.wantH {
			t.Errorf("fit(%d, %d, %d) = %d, %d, want %d, %d", tt.w, tt.h, tt.box, w, h, tt.wantW, tt.wantH)
		}
	}
}

func TestRateOf(t *testing.T) {
	for _, tt := range []struct {
		nominal, average string
		even             bool
		want             annotate.Rate
		variable         bool
	}{
		{"30000/1001", "30000/1001", true, annotate.Rate{Num: 30000, Den: 1001}, false},
		{"30000/1001", "2997/100", true, annotate.Rate{Num: 30000, Den: 1001}, false},
		{"50/1", "25/1", true, annotate.Rate{Num: 25, Den: 1}, false},
		{"30/1", "24817/1000", true, annotate.Rate{Num: 24817, Den: 1000}, true},
		{"30/1", "30/1", false, annotate.Rate{Num: 30, Den: 1}, true},
		{"90000/1", "25/1", true, annotate.Rate{Num: 25, Den: 1}, false},
		{"25/1", "0/0", true, annotate.Rate{Num: 25, Den: 1}, false},
		{"0/0", "0/0", true, annotate.Rate{}, false},
	} {
		if r, v := rateOf(stream{Nominal: tt.nominal, Average: tt.average}, tt.even); r != tt.want || v != tt.variable {
			t.Errorf("nominal %s, average %s, even %v: got %v, %v, want %v, %v", tt.nominal, tt.average, tt.even, r, v, tt.want, tt.variable)
		}
	}
}

func TestEvenTimes(t *testing.T) {
	for _, tt := range []struct {
		name  string
		times []float64
		tick  float64
		want  bool
	}{
		{"none", nil, 0.001, true},
		{"two", []float64{0, 9}, 0.001, true},
		{"25 a second", []float64{0, 0.04, 0.08, 0.12}, 1. / 12800, true},
		{"29.97 in milliseconds", []float64{0, 0.033, 0.067, 0.1, 0.133}, 0.001, true},
		{"a phone's jitter", []float64{0, 0.0333, 0.0669, 0.1}, 1. / 90000, true},
		{"a frame is missing", []float64{0, 0.04, 0.08, 0.16, 0.2}, 1. / 12800, false},
		{"drifting apart", []float64{0, 0.03, 0.07, 0.12}, 1. / 12800, false},
	} {
		if got := evenTimes(tt.times, tt.tick); got != tt.want {
			t.Errorf("%s: got %v", tt.name, got)
		}
	}
}

func TestSeconds(t *testing.T) {
	for in, want := range map[string]annotate.Time{
		"2.000000": 2 * annotate.Second, "N/A": 0, "": 0, "-1": 0, "NaN": 0, "0.04": 40 * annotate.Millisecond,
		"1e300": 2 * annotate.MaxTime, "Inf": 2 * annotate.MaxTime,
	} {
		if got := seconds(in); got != want {
			t.Errorf("seconds(%q) = %v, want %v", in, got, want)
		}
	}
}
