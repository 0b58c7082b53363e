package media

import (
	"context"
	"errors"
	"fmt"
	"image"
	"image/jpeg"
	"io"
	"os"
	"path/filepath"
	"strconv"

	"sideport/annotate"
)

// Poster makes the picture that stands for a film: a JPEG no wider than 960
// pixels, of a frame about a third in, or elsewhere where that is black.
func (t *Tools) Poster(ctx context.Context, in string, film annotate.Film, out string) error {
	d, err := t.look(ctx, in)
	if err != nil {
		return err
	}
	if out, err = filepath.Abs(out); err != nil {
		return fmt.Errorf("make a poster: %w", err)
	}
	best, bestAt := -1.0, annotate.Time(0)
	for _, at := range []annotate.Time{film.Duration / 3, film.Duration / 2, film.Duration / 6, film.Duration * 2 / 3, 0} {
		light, err := t.poster(ctx, d, at, out)
		if err != nil {
			remove(out)
			return err
		}
		if light >= enoughLight {
			return nil
		}
		if light > best {
			best, bestAt = light, at
		}
	}
	if best < 0 {
		remove(out)
		return faultUnreadable(errors.New("no frame for a poster"))
	}
	_, err = t.poster(ctx, d, bestAt, out)
	return err
}

// enoughLight is the mean brightness, of 255, under which a frame counts as
// black; video black itself is 0 here.
const enoughLight = 16

// poster makes the poster of the most typical frame near at and says how
// bright it is; -1 where there is no frame.
func (t *Tools) poster(ctx context.Context, d details, at annotate.Time, out string) (float64, error) {
	remove(out)
	j := job{tool: t.ffmpeg, args: pictureArgs(d, seek(at), posterSide, "thumbnail=n=24", out), budget: short, pixels: maxPixels}
	if err := t.run(ctx, j); err != nil {
		return 0, unreadable(err)
	}
	if !made(out) {
		return -1, nil
	}
	return brightness(out)
}

// brightness is the mean of a JPEG's luma, 0 to 255.
func brightness(path string) (float64, error) {
	f, err := os.Open(path)
	if err != nil {
		return 0, fmt.Errorf("look at a picture: %w", err)
	}
	defer f.Close()
	img, err := jpeg.Decode(f)
	if err != nil {
		return 0, fmt.Errorf("look at a picture: %w", err)
	}
	y, ok := img.(*image.YCbCr)
	if !ok || y.Rect.Empty() {
		return 0, fmt.Errorf("look at a picture: it is a %T", img)
	}
	sum := 0
	for row := range y.Rect.Dy() {
		for _, v := range y.Y[row*y.YStride:][:y.Rect.Dx()] {
			sum += int(v)
		}
	}
	return float64(sum) / float64(y.Rect.Dx()*y.Rect.Dy()), nil
}

// Stills makes a JPEG no wider than 480 pixels of the frame on the screen at
// each instant, in order, in outDir, and gives their paths. An instant beyond
// the end gives the last frame. On error none stays.
func (t *Tools) Stills(ctx context.Context, in string, at []annotate.Time, outDir string) (paths []string, err error) {
	d, err := t.look(ctx, in)
	if err != nil {
		return nil, err
	}
	if outDir, err = filepath.Abs(outDir); err != nil {
		return nil, fmt.Errorf("make stills: %w", err)
	}
	defer func() {
		if err != nil {
			for _, p := range paths {
				remove(p)
			}
			paths = nil
		}
	}()
	for i, instant := range at {
		out := filepath.Join(outDir, fmt.Sprintf("still-%04d.jpg", i))
		paths = append(paths, out)
		if err := t.still(ctx, d, instant, out); err != nil {
			return paths, err
		}
	}
	return paths, nil
}

// still makes one still. Where nothing follows the instant, the last frame of
// the film's last seconds is taken.
func (t *Tools) still(ctx context.Context, d details, at annotate.Time, out string) error {
	remove(out)
	for _, from := range [][]string{seek(at), {"-sseof", "-5"}, nil} {
		args := pictureArgs(d, from, stillSide, "", out)
		if len(from) == 0 || from[0] == "-sseof" {
			args = pictureArgs(d, from, stillSide, "last", out)
		}
		err := t.run(ctx, job{tool: t.ffmpeg, args: args, budget: short, pixels: maxPixels})
		if err != nil {
			return unreadable(err)
		}
		if made(out) {
			return nil
		}
	}
	return faultUnreadable(fmt.Errorf("no frame at %v", at))
}

// seek goes to an instant before the film is opened, which is quick: ffmpeg
// jumps to the key frame before it and decodes from there.
func seek(at annotate.Time) []string {
	return []string{"-ss", strconv.FormatFloat(max(at, 0).Seconds(), 'f', 6, 64)}
}

// pictureArgs takes one frame: the first after the seek, the most typical of a
// few with a filter, or with "last" the last that there is.
func pictureArgs(d details, from []string, side int, choose, out string) []string {
	filter := toned(d.video) + scaled(d, side)
	frames := []string{"-frames:v", "1"}
	switch choose {
	case "":
	case "last":
		frames = nil // each overwrites the one before
	default:
		filter += "," + choose
	}
	args := append(quiet(), from...)
	args = append(args, input(d.format, d.path, maxPixels)...)
	args = append(args, "-map", "0:"+strconv.Itoa(d.video.Index), "-an", "-vf", filter+",format=yuvj420p")
	args = append(append(args, frames...), "-c:v", "mjpeg", "-q:v", "3", "-update", "1")
	return append(append(args, clean()...), output("image2", out)...)
}

// Photo cleans a still photograph: JPEG, PNG or WebP by its bytes becomes an
// upright JPEG of at most 3840 pixels a side, with nothing in it but the picture.
// On error nothing stays at out.
func (t *Tools) Photo(ctx context.Context, in, out string) error {
	in, size, err := regular(in)
	if err != nil {
		return err
	}
	if size > maxPhotoBytes {
		return refuse(nil, "this photograph has %d MB; %d MB is the most that can be added: save a smaller copy", size>>20, maxPhotoBytes>>20)
	}
	if out, err = filepath.Abs(out); err != nil {
		return fmt.Errorf("clean a photograph: %w", err)
	}
	f, err := os.Open(in)
	if err != nil {
		return fmt.Errorf("clean a photograph: %w", err)
	}
	defer f.Close()
	form, err := sniffPhoto(f, size)
	if err != nil {
		return err
	}
	b, err := io.ReadAll(io.LimitReader(f, maxPhotoBytes))
	if err != nil {
		return fmt.Errorf("clean a photograph: %w", err)
	}
	err = t.run(ctx, job{tool: t.ffmpeg, args: photoArgs(form, in, orientation(form.container, b), out), budget: short, pixels: maxPhotoPixels})
	if _, ok := err.(*childError); ok || err == nil && !made(out) {
		err = refuse(err, "this photograph cannot be read; it may be damaged, or move: copy it again from the camera, or save it as JPEG")
	}
	if err != nil {
		remove(out)
	}
	return err
}

// turns are the filters for the eight ways in which a camera may be held
// (EXIF 2.3, tag 0x0112), each with its comma.
var turns = [...]string{"", "", "hflip,", "hflip,vflip,", "vflip,", "transpose=cclock_flip,", "transpose=clock,", "transpose=clock_flip,", "transpose=cclock,"}

func photoArgs(f format, in string, way int, out string) []string {
	// What lies under transparent pixels was meant to be hidden: it turns black.
	filter := "format=gbrap,premultiply=inplace=1,format=gbrp," + turns[way] +
		fmt.Sprintf("scale=w='min(iw,%d)':h='min(ih,%[1]d)':force_original_aspect_ratio=decrease,setsar=1,format=yuvj420p", photoSide)
	args := append(quiet("-noautorotate"), input(f, in, maxPhotoPixels)...)
	args = append(args, "-an", "-vf", filter, "-frames:v", "1", "-c:v", "mjpeg", "-q:v", "2", "-update", "1")
	return append(append(args, clean()...), output("image2", out)...)
}
