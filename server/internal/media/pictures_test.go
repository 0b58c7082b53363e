package media

import (
	"bytes"
	"encoding/binary"
	"image"
	"image/color"
	"image/jpeg"
	"image/png"
	"os"
	"path/filepath"
	"testing"

	"sideport/annotate"
)

func picture(t *testing.T, path string) image.Image {
	t.Helper()
	b := contents(t, path)
	for _, mark := range []string{"Lavc", "Exif", "MARKER", "ICC_PROFILE"} {
		if bytes.Contains(b, []byte(mark)) {
			t.Errorf("%s holds %q", path, mark)
		}
	}
	img, err := jpeg.Decode(bytes.NewReader(b))
	if err != nil {
		t.Fatal(err)
	}
	return img
}

// like says whether the picture's colour at x, y (in shares of its sides) is
// about the one wanted.
func like(img image.Image, x, y float64, want color.RGBA) bool {
	b := img.Bounds()
	r, g, bl, _ := img.At(int(x*float64(b.Dx())), int(y*float64(b.Dy()))).RGBA()
	near := func(a uint32, b uint8) bool { d := int(a>>8) - int(b); return d < 50 && d > -50 }
	return near(r, want.R) && near(g, want.G) && near(bl, want.B)
}

var (
	red   = color.RGBA{255, 0, 0, 255}
	green = color.RGBA{0, 128, 0, 255}
	blue  = color.RGBA{0, 0, 255, 255}
	white = color.RGBA{255, 255, 255, 255}
	black = color.RGBA{0, 0, 0, 255}
)

// coloured is a film of two seconds each of red, green and blue.
const coloured = "-f lavfi -i color=red:s=1280x720:d=2 -f lavfi -i color=green:s=1280x720:d=2 -f lavfi -i color=blue:s=1280x720:d=2 -filter_complex [0][1][2]concat=n=3 "

func TestPoster(t *testing.T) {
	tl := tools(t)
	tests := []struct {
		name, path string
		w, h       int
		want       color.RGBA
	}{
		{"a third in", film(t, "a.mp4", coloured+h264), 960, 540, green},
		{"small films stay small", film(t, "a.mkv", "-f lavfi -i color=red:s=64x48:d=2 "+h264), 64, 48, red},
		{"not the black part", film(t, "a.mp4", "-f lavfi -i color=black:s=64x48:d=4 -f lavfi -i color=blue:s=64x48:d=2 -filter_complex [0][1]concat "+h264), 64, 48, blue},
		{"all black", film(t, "a.mp4", "-f lavfi -i color=black:s=64x48:d=2 "+h264), 64, 48, black},
		{"one frame", film(t, "a.mp4", "-f lavfi -i color=blue:s=64x48:d=0.04 "+h264), 64, 48, blue},
		{"portrait", turned(t, film(t, "a.mp4", "-f lavfi -i color=red:s=64x48:d=1 "+h264)), 48, 64, red},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			f, err := tl.Probe(t.Context(), tt.path)
			if err != nil {
				t.Fatal(err)
			}
			out := filepath.Join(t.TempDir(), "poster %d.jpg")
			if err := tl.Poster(t.Context(), tt.path, f, out); err != nil {
				t.Fatal(err)
			}
			img := picture(t, out)
			if b := img.Bounds(); b.Dx() != tt.w || b.Dy() != tt.h || !like(img, 0.5, 0.5, tt.want) {
				t.Errorf("got %v, colour %v", b, img.At(b.Dx()/2, b.Dy()/2))
			}
		})
	}
}

func TestStills(t *testing.T) {
	tl := tools(t)
	in := film(t, "a.mp4", coloured+h264+"-g 250")
	dir := t.TempDir()
	s := annotate.Second
	at := []annotate.Time{0, 2*s - 40*annotate.Millisecond, 2 * s, 5 * s, s, 6 * s, 99 * annotate.Hour}
	want := []color.RGBA{red, red, green, blue, red, blue, blue}
	paths, err := tl.Stills(t.Context(), in, at, dir)
	if err != nil || len(paths) != len(at) {
		t.Fatalf("got %q, %v", paths, err)
	}
	for i, p := range paths {
		img := picture(t, p)
		if b := img.Bounds(); b.Dx() != 480 || b.Dy() != 270 || !like(img, 0.5, 0.5, want[i]) {
			t.Errorf("at %v: %v, colour %v", at[i], b, img.At(240, 135))
		}
	}
	bad := film(t, "sound.mp4", tone+"-c:a aac")
	if paths, err := tl.Stills(t.Context(), bad, at, dir); err == nil || paths != nil {
		t.Errorf("stills of sound: %q, %v", paths, err)
	}
}

// quarters is a picture of four colours, red first, then clockwise.
func quarters() *image.NRGBA {
	img := image.NewNRGBA(image.Rect(0, 0, 64, 32))
	for y := range 32 {
		for x := range 64 {
			c := [2][2]color.RGBA{{red, green}, {blue, white}}[y/16][x/32]
			img.Set(x, y, c)
		}
	}
	return img
}

// exif is the block that says how the camera was held.
func exif(order binary.AppendByteOrder, way uint16) []byte {
	b := []byte("MM\x00*")
	if order == binary.AppendByteOrder(binary.LittleEndian) {
		b = []byte("II*\x00")
	}
	b = order.AppendUint32(b, 8)
	b = order.AppendUint16(b, 2)
	for _, e := range [][2]uint16{{0x010f, 7}, {0x0112, way}} {
		b = order.AppendUint16(b, e[0])
		b = order.AppendUint16(b, 3)
		b = order.AppendUint32(b, 1)
		b = order.AppendUint16(b, e[1])
		b = order.AppendUint16(b, 0)
	}
	return append(b, "\x00\x00\x00\x00MARKER"...)
}

func asJPEG(t *testing.T, way uint16) []byte {
	t.Helper()
	var b bytes.Buffer
	if err := jpeg.Encode(&b, quarters(), &jpeg.Options{Quality: 95}); err != nil {
		t.Fatal(err)
	}
	seg := append([]byte("Exif\x00\x00"), exif(binary.BigEndian, way)...)
	out := append([]byte("\xff\xd8\xff\xe1"), binary.BigEndian.AppendUint16(nil, uint16(len(seg)+2))...)
	return append(append(out, seg...), b.Bytes()[2:]...)
}

func TestPhoto(t *testing.T) {
	tl := tools(t)
	var p bytes.Buffer
	clear := quarters()
	for y := range 16 {
		for x := range 32 {
			clear.SetNRGBA(x, y, color.NRGBA{255, 0, 0, 0}) // red, hidden
		}
	}
	if err := png.Encode(&p, clear); err != nil {
		t.Fatal(err)
	}
	tests := []struct {
		name, path string
		w, h       int
		first      color.RGBA // top left
		second     color.RGBA // top right
	}{
		{"upright", file(t, "a.jpg", asJPEG(t, 1)), 64, 32, red, green},
		{"mirrored", file(t, "a.jpg", asJPEG(t, 2)), 64, 32, green, red},
		{"upside down", file(t, "a.jpg", asJPEG(t, 3)), 64, 32, white, blue},
		{"flipped", file(t, "a.jpg", asJPEG(t, 4)), 64, 32, blue, white},
		{"transposed", file(t, "a.jpg", asJPEG(t, 5)), 32, 64, red, blue},
		{"to be turned clockwise", file(t, "a.jpg", asJPEG(t, 6)), 32, 64, blue, red},
		{"transversed", file(t, "a.jpg", asJPEG(t, 7)), 32, 64, white, green},
		{"to be turned back", file(t, "a.jpg", asJPEG(t, 8)), 32, 64, green, white},
		{"what is transparent stays hidden", file(t, "wrong.jpg", p.Bytes()), 64, 32, black, green},
		{"WebP", film(t, "a.webp", "-f lavfi -i color=red:s=64x32 -frames:v 1"), 64, 32, red, red},
		{"large", film(t, "a.png", "-f lavfi -i color=red:s=5000x2500 -frames:v 1"), 3840, 1920, red, red},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			out := filepath.Join(t.TempDir(), "out.jpg")
			if err := tl.Photo(t.Context(), tt.path, out); err != nil {
				t.Fatal(err)
			}
			img := picture(t, out)
			if b := img.Bounds(); b.Dx() != tt.w || b.Dy() != tt.h || !like(img, 0.25, 0.25, tt.first) || !like(img, 0.75, 0.25, tt.second) {
				t.Errorf("got %v, colours %v and %v", b, img.At(b.Dx()/4, b.Dy()/4), img.At(b.Dx()*3/4, b.Dy()/4))
			}
		})
	}
}

func TestPhotoRefuses(t *testing.T) {
	tl := tools(t)
	bomb := asJPEG(t, 1)
	at := bytes.Index(bomb, []byte("\xff\xc0")) // start of frame: height and width follow
	binary.BigEndian.PutUint16(bomb[at+5:], 20000)
	binary.BigEndian.PutUint16(bomb[at+7:], 20000)
	tests := []struct{ name, path, say string }{
		{"zero bytes", file(t, "a.jpg", nil), "empty (0 bytes)"},
		{"words", file(t, "a.jpg", []byte("a letter")), "not a photograph"},
		{"a playlist", file(t, "a.jpg", []byte("#EXTM3U\nfile:///etc/passwd\n")), "a playlist (HLS)"},
		{"only a head", file(t, "a.jpg", asJPEG(t, 1)[:40]), "cannot be read"},
		{"a picture bomb", file(t, "a.jpg", bomb), "million pixels"},
		{"a vector drawing", file(t, "a.png", []byte(`<?xml version="1.0"?><svg/>`)), "not a photograph"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			out := filepath.Join(t.TempDir(), "out.jpg")
			refused(t, tl.Photo(t.Context(), tt.path, out), annotate.Invalid, tt.say)
			if _, err := os.Stat(out); err == nil {
				t.Error("something was left behind")
			}
		})
	}
}

func TestOrientation(t *testing.T) {
	for way := uint16(0); way < 10; way++ {
		want := int(way)
		if way < 1 || way > 8 {
			want = 1
		}
		little := exif(binary.LittleEndian, way)
		chunk := func(name string, body []byte) []byte {
			return append(binary.LittleEndian.AppendUint32([]byte(name), uint32(len(body))), body...)
		}
		webp := append([]byte("RIFF\x00\x00\x00\x00WEBP"), chunk("VP8 ", []byte("abc\x00")[:3])...)
		webp = append(append(webp, 0), chunk("EXIF", little)...)
		png := binary.BigEndian.AppendUint32([]byte("\x89PNG\r\n\x1a\n\x00\x00\x00\x01tIMEx1234"), uint32(len(little)))
		png = append(append(png, "eXIf"...), little...)
		for container, b := range map[string][]byte{"jpeg": asJPEG(t, way), "png": png, "webp": webp} {
			if got := orientation(container, b); got != want {
				t.Errorf("%s held as %d: got %d, want %d", container, way, got, want)
			}
		}
	}
}

func FuzzOrientation(f *testing.F) {
	f.Add([]byte("\xff\xd8\xff\xe1\x00\x10Exif\x00\x00MM\x00*"))
	f.Add([]byte("\x89PNG\r\n\x1a\n\x00\x00\x00\x00eXIf"))
	f.Add([]byte("RIFF\x00\x00\x00\x00WEBPEXIF\xff\xff\xff\xff"))
	f.Fuzz(func(t *testing.T, b []byte) {
		for _, c := range []string{"jpeg", "png", "webp", "other"} {
			if way := orientation(c, b); way < 1 || way > 8 {
				t.Errorf("%s: %d", c, way)
			}
		}
		if way := exifOrientation(b); way < 1 || way > 8 {
			t.Error(way)
		}
	})
}
