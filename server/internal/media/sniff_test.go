package media

import (
	"bytes"
	"errors"
	"testing"

	"sideport/annotate"
)

func TestSniffFilm(t *testing.T) {
	brand := func(b string) []byte { return append(box("ftyp", []byte(b+"\x00\x00\x00\x00")), box("moov", nil)...) }
	ebml := func(doc string, segment []byte) []byte {
		head := append([]byte("\x42\x82"), byte(0x80|len(doc)))
		head = append(head, doc...)
		out := append([]byte("\x1a\x45\xdf\xa3"), byte(0x80|len(head)))
		return append(append(out, head...), segment...)
	}
	closed, live := []byte("\x18\x53\x80\x67\x82xx"), []byte("\x18\x53\x80\x67\x01\xff\xff\xff\xff\xff\xff\xff")
	tests := []struct {
		name string
		b    []byte
		want format
	}{
		{"MP4", brand("isom"), format{container: "mp4", demuxer: "mov"}},
		{"QuickTime", brand("qt  "), format{container: "mov", demuxer: "mov"}},
		{"QuickTime without a brand", box("moov", nil), format{container: "mov", demuxer: "mov"}},
		{"padding after the last box", append(brand("isom"), make([]byte, 64)...), format{container: "mp4", demuxer: "mov"}},
		{"in pieces", append(brand("isom"), box("moov", box("mvex", nil))...), format{container: "mp4", demuxer: "mov", measured: true}},
		{"WebM", ebml("webm", closed), format{container: "webm", demuxer: "matroska"}},
		{"Matroska", ebml("matroska", append([]byte("\xec\x81x"), closed...)), format{container: "mkv", demuxer: "matroska"}},
		{"Matroska written live", ebml("matroska", live), format{container: "mkv", demuxer: "matroska", measured: true}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			got, err := sniffFilm(bytes.NewReader(tt.b), int64(len(tt.b)))
			if err != nil || got != tt.want {
				t.Errorf("got %+v, %v, want %+v", got, err, tt.want)
			}
		})
	}
	for name, b := range map[string][]byte{
		"an EBML file of the kind \"other\"": ebml("other", closed),
		"this film breaks off":               ebml("webm", closed[:6]),
		"begins like a film but":             ebml("webm", []byte("\xbe\x80\x80")),
		"a photograph (HEIC or AVIF)":        append(box("ftyp", []byte("heic\x00\x00\x00\x00")), box("moov", nil)...),
		"an MPEG transport stream":           bytes.Repeat(append([]byte{0x47}, make([]byte, 187)...), 4),
		"a Windows Media film":               []byte("\x30\x26\xb2\x75\x8e\x66\xcf\x11"),
		"a web page":                         []byte("\n<!DOCTYPE html>"),
		"compressed":                         box("moov", box("cmov", nil)),
	} {
		_, err := sniffFilm(bytes.NewReader(b), int64(len(b)))
		refused(t, err, annotate.Invalid, name)
	}
}

// Deeply nested and endlessly repeated boxes are given up, not followed.
func TestBoxBombs(t *testing.T) {
	deep := box("stbl", nil)
	for range 2000 {
		deep = box("moov", deep)
	}
	many := box("moov", bytes.Repeat(box("free", nil), 3_000_000))
	for name, b := range map[string][]byte{"deep": deep, "many": many} {
		if _, err := readMovie(bytes.NewReader(b), int64(len(b))); annotate.CauseOf(err) != annotate.Invalid {
			t.Errorf("%s: got %v", name, err)
		}
	}
}

// A disk that cannot be read is not the film's fault.
func TestSniffReadError(t *testing.T) {
	for _, sniff := range []func() error{
		func() error { _, err := sniffFilm(deaf{}, 100); return err },
		func() error { _, err := sniffPhoto(deaf{}, 100); return err },
	} {
		if err := sniff(); !errors.Is(err, errDeaf) || annotate.CauseOf(err) != "" {
			t.Errorf("got %v", err)
		}
	}
}

var errDeaf = errors.New("the disk does not answer")

type deaf struct{}

func (deaf) ReadAt([]byte, int64) (int, error) { return 0, errDeaf }

func FuzzSniff(f *testing.F) {
	f.Add([]byte("\x1a\x45\xdf\xa3\x87\x42\x82\x84webm\x18\x53\x80\x67\x80"))
	f.Add(append(box("ftyp", []byte("isom\x00\x00\x00\x00")), box("moov", box("trak", box("mdia", box("minf", box("dinf", box("dref", []byte("\x00\x00\x00\x00\x00\x00\x00\x01\x00\x00\x00\x0curl \x00\x00\x00\x01")))))))...))
	f.Add([]byte("\x00\x00\x00\x01moov\xff\xff\xff\xff\xff\xff\xff\xff"))
	f.Add([]byte("\x00\x00\x00\x00mdat#EXTM3U"))
	f.Fuzz(func(t *testing.T, b []byte) {
		for _, sniff := range []func() (format, error){
			func() (format, error) { return sniffFilm(bytes.NewReader(b), int64(len(b))) },
			func() (format, error) { return sniffPhoto(bytes.NewReader(b), int64(len(b))) },
		} {
			got, err := sniff()
			if (err == nil) != (got.demuxer != "") || err != nil && annotate.CauseOf(err) != annotate.Invalid {
				t.Errorf("%q: %+v, %v", b, got, err)
			}
		}
	})
}

func FuzzTake(f *testing.F) {
	f.Add("1/25", "16:15", "2.0", "01:00:00:00")
	f.Add("9223372036854775807/1", "1:9223372036854775807", "1e999", "")
	f.Fuzz(func(t *testing.T, rate, aspect, duration, tc string) {
		var a answer
		a.Format.Duration, a.Format.Tags = duration, map[string]string{"TimeCode": tc}
		a.Streams = []stream{{Kind: "video", Codec: "h264", Width: 640, Height: 480, Aspect: aspect, Nominal: rate, Average: rate}}
		var d details
		if err := d.take(a); err != nil {
			return
		}
		if d.Width < 1 || d.Height < 1 || d.Width > maxSide || d.Duration < 0 || d.Duration > 2*annotate.MaxTime {
			t.Errorf("%+v", d.Film)
		}
		if r, _ := rateOf(d.video, true); r != (annotate.Rate{}) && !r.Valid() {
			t.Errorf("rate %v", r)
		}
	})
}
