package media

import (
	"bytes"
	"fmt"
	"io"
	"strings"
)

// format is what a file is, decided by us from its bytes. ffmpeg is never left
// to guess: a playlist that calls itself film.mp4 would make it open others.
type format struct {
	container string // mp4, mov, webm, mkv; jpeg, png, webp
	demuxer   string // ffmpeg's name for the one reader that is allowed
	measured  bool   // the length is found by reading: the file may end anywhere
}

// sniffFilm decides what film a file is, or refuses it with a sentence.
func sniffFilm(r io.ReaderAt, size int64) (format, error) {
	if size == 0 {
		return format{}, refuse(nil, "this file is empty (0 bytes): copy it again from the recorder")
	}
	head, err := readHead(r, size, 512)
	if err != nil {
		return format{}, err
	}
	if bytes.HasPrefix(head, []byte("\x1a\x45\xdf\xa3")) {
		return sniffMatroska(r, size)
	}
	if f, ok := movieBrand(head); ok {
		m, err := readMovie(r, size)
		if err != nil {
			return format{}, err
		}
		f.measured = m.fragments
		return f, nil
	}
	what, do := name(head)
	return format{}, refuse(nil, "this is %s, not a film that can be added: %s", what, do)
}

// sniffPhoto decides what photograph a file is, or refuses it.
func sniffPhoto(r io.ReaderAt, size int64) (format, error) {
	if size == 0 {
		return format{}, refuse(nil, "this file is empty (0 bytes): copy it again from the camera")
	}
	head, err := readHead(r, size, 512)
	if err != nil {
		return format{}, err
	}
	for _, p := range []struct{ magic, name string }{{"\xff\xd8\xff", "jpeg"}, {"\x89PNG\r\n\x1a\n", "png"}} {
		if bytes.HasPrefix(head, []byte(p.magic)) {
			return format{container: p.name, demuxer: p.name + "_pipe"}, nil
		}
	}
	if riff(head) == "WEBP" {
		return format{container: "webp", demuxer: "webp_pipe"}, nil
	}
	what, _ := name(head)
	return format{}, refuse(nil, "this is %s, not a photograph that can be added: save it as JPEG, PNG or WebP", what)
}

func readHead(r io.ReaderAt, size, n int64) ([]byte, error) {
	b := make([]byte, min(size, n))
	if _, err := r.ReadAt(b, 0); err != nil && err != io.EOF {
		return nil, fmt.Errorf("read the file's beginning: %w", err)
	}
	return b, nil
}

// movieBrand says whether head begins an ISO base media or QuickTime film.
func movieBrand(head []byte) (format, bool) {
	if len(head) < 8 {
		return format{}, false
	}
	f := format{container: "mov", demuxer: "mov"}
	switch string(head[4:8]) {
	case "moov", "mdat", "wide", "free", "skip", "pnot":
		return f, true // QuickTime before it had brands
	case "ftyp":
		if len(head) < 12 {
			return format{}, false
		}
		switch brand := string(head[8:12]); brand {
		case "heic", "heix", "mif1", "avif":
			return format{}, false // photographs
		case "qt  ":
		default:
			f.container = "mp4"
		}
		return f, true
	}
	return format{}, false
}

func riff(head []byte) string {
	if len(head) < 12 || string(head[:4]) != "RIFF" {
		return ""
	}
	return string(head[8:12])
}

// What else people send us, and what they can do.
const (
	askForFilm = "ask for the film itself; " + wanted
	convert    = "turn it into an MKV first (ffmpeg -i FILE -c copy film.mkv does it without loss) and add that"
	addStill   = "add it as a still of the case; " + wanted
)

var magics = [...]struct {
	at              int
	magic, what, do string
}{
	{0, "#EXTM3U", "a playlist (HLS) that points to films kept elsewhere", askForFilm},
	{0, "<MPD", "a manifest (DASH) that points to films kept elsewhere", askForFilm},
	{0, "<?xml", "an XML document, perhaps a manifest that points to films kept elsewhere", askForFilm},
	{0, "ffconcat", "a list of films kept elsewhere", askForFilm},
	{0, "file ", "a list of films kept elsewhere", askForFilm},
	{0, "v=0", "the description of a live stream (SDP)", askForFilm},
	{0, "[playlist]", "a playlist that points to films kept elsewhere", askForFilm},
	{0, "[Reference]", "a playlist that points to films kept elsewhere", askForFilm},
	{0, "RTSPtext", "a playlist that points to films kept elsewhere", askForFilm},
	{0, "<!DOCTYPE", "a web page", askForFilm},
	{0, "<!doctype", "a web page", askForFilm},
	{0, "<html", "a web page", askForFilm},
	{0, "WEBVTT", "a file of captions (WebVTT)", "add it as the captions of a recording; " + wanted},
	{0, "\xff\xd8\xff", "a photograph (JPEG)", addStill},
	{0, "\x89PNG", "a picture (PNG)", addStill},
	{0, "GIF8", "a picture (GIF)", wanted},
	{4, "ftyp", "a photograph (HEIC or AVIF)", "save it as JPEG and " + addStill},
	{0, "\x30\x26\xb2\x75", "a Windows Media film", convert},
	{0, "FLV\x01", "a Flash film", convert},
	{0, "\x00\x00\x01\xba", "an MPEG programme stream (MPG, VOB)", convert},
	{0, "\x00\x00\x01\xb3", "a bare MPEG video stream", convert},
	{0, "\x00\x00\x00\x01", "a bare video stream without a container", convert},
	{0, "OggS", "an Ogg file", convert},
	{0, "ID3", "a sound recording (MP3)", wanted},
	{0, "fLaC", "a sound recording (FLAC)", wanted},
	{0, "%PDF", "a PDF document", wanted},
	{0, "PK\x03\x04", "a ZIP archive", "unpack it and add the film inside; " + wanted},
}

// name says what a file is that is neither film nor photograph to us.
func name(head []byte) (what, do string) {
	switch riff(head) {
	case "AVI ":
		return "an AVI film", convert
	case "WAVE":
		return "a sound recording (WAV)", wanted
	case "WEBP":
		return "a picture (WebP)", addStill
	}
	text := strings.TrimLeft(string(bytes.TrimPrefix(head, []byte("\xef\xbb\xbf"))), " \t\r\n")
	for _, m := range magics {
		in := string(head)
		if m.at == 0 && m.magic[0] > ' ' && m.magic[0] < 0x7f {
			in = text
		}
		if len(in) >= m.at && strings.HasPrefix(in[m.at:], m.magic) {
			return m.what, m.do
		}
	}
	for _, p := range []struct{ first, next int }{{0, 188}, {4, 196}} { // with and without time stamps
		if len(head) > p.next && head[p.first] == 0x47 && head[p.next] == 0x47 {
			return "an MPEG transport stream (TS, MTS)", convert
		}
	}
	return "a file of a kind not known here", wanted
}
