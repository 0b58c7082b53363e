package media

import (
	"encoding/binary"
	"fmt"
	"io"
	"slices"
)

// movie is what the boxes of an ISO base media or QuickTime file say before
// any tool reads it (ISO/IEC 14496-12; QuickTime File Format).
type movie struct {
	table     bool // has moov
	fragments bool // has mvex: the film comes in pieces, each with its own table
	cut       bool // a box of the film itself reaches beyond the end of the file
	elsewhere bool // a track's bytes lie in another file
	encrypted bool
}

// boxes walks the boxes of a file. Everything read is bounded: a hostile file
// can nest and repeat as it likes.
type boxes struct {
	r     io.ReaderAt
	left  int // boxes that may still be looked at
	depth int
	movie movie
}

// readMovie finds what is wrong with the film before a tool is started.
func readMovie(r io.ReaderAt, size int64) (movie, error) {
	b := &boxes{r: r, left: 2_000_000}
	if err := b.walk(0, size); err != nil {
		return movie{}, err
	}
	m := b.movie
	switch {
	case !m.table && m.cut, m.cut && !m.fragments:
		if !m.table {
			return m, faultNoTable()
		}
		return m, faultCut(nil)
	case !m.table:
		return m, faultNoTable()
	case m.elsewhere:
		return m, faultElsewhere()
	case m.encrypted:
		return m, faultEncrypted()
	}
	return m, nil
}

// parents are the boxes that hold boxes, on the way to what we look at.
var parents = [...]string{"moov", "trak", "mdia", "minf", "dinf", "stbl"}

// walk looks at the boxes between two offsets.
func (b *boxes) walk(at, end int64) error {
	b.depth++
	defer func() { b.depth-- }()
	for end-at >= 8 {
		if b.left--; b.left < 0 || b.depth > 8 {
			return faultUnreadable(fmt.Errorf("too many or too deep boxes at %d", at))
		}
		kind, head, size, err := b.header(at, end)
		if err != nil {
			return err
		}
		if !printable(kind) || size < head {
			return nil // padding after the last box
		}
		stop := min(at+size, end)
		if b.depth == 1 && at+size > end && slices.Contains([]string{"mdat", "moov", "moof"}, kind) {
			b.movie.cut = true
		}
		if err := b.look(kind, at+head, stop); err != nil {
			return err
		}
		if at+size > end || at+size < at {
			return nil
		}
		at += size
	}
	return nil
}

// header reads a box's kind, the length of its header and its whole length.
func (b *boxes) header(at, end int64) (kind string, head, size int64, err error) {
	var h [16]byte
	if err := b.read(h[:8], at); err != nil {
		return "", 0, 0, err
	}
	kind, head = string(h[4:8]), 8
	switch n := binary.BigEndian.Uint32(h[:4]); n {
	case 0: // to the end of what holds it
		size = end - at
	case 1:
		if end-at < 16 {
			return kind, 16, 0, nil
		}
		if err := b.read(h[8:], at+8); err != nil {
			return "", 0, 0, err
		}
		head, size = 16, int64(min(binary.BigEndian.Uint64(h[8:]), 1<<62))
	default:
		size = int64(n)
	}
	return kind, head, size, nil
}

// look notes what a box says and goes into those that hold others.
func (b *boxes) look(kind string, at, end int64) error {
	switch kind {
	case "moov":
		b.movie.table = true
	case "mvex":
		b.movie.fragments = true
	case "rmra", "rmda":
		b.movie.elsewhere = true // a QuickTime reference film
	case "cmov":
		return refuse(nil, "the table of contents of this film is compressed, as very old QuickTime films had it; save it anew (ffmpeg -i FILE -c copy film.mov) and add that")
	case "dref":
		return b.each(at+8, end, func(kind string, at, end int64) error {
			var flags [4]byte
			if end-at > 5 { // more than version, flags and an empty text: a place to look
				if err := b.read(flags[:], at); err != nil {
					return err
				}
				b.movie.elsewhere = b.movie.elsewhere || flags[3]&1 == 0
			}
			return nil
		})
	case "stsd":
		return b.each(at+8, end, func(kind string, _, _ int64) error {
			b.movie.encrypted = b.movie.encrypted || slices.Contains([]string{"encv", "enca", "drmi", "drms"}, kind)
			return nil
		})
	}
	if slices.Contains(parents[:], kind) {
		return b.walk(at, end)
	}
	return nil
}

// each calls f with the boxes of a list.
func (b *boxes) each(at, end int64, f func(kind string, at, end int64) error) error {
	for end-at >= 8 {
		if b.left--; b.left < 0 {
			return faultUnreadable(fmt.Errorf("too many boxes at %d", at))
		}
		kind, head, size, err := b.header(at, end)
		if err != nil {
			return err
		}
		if size < head || size > end-at {
			return nil
		}
		if err := f(kind, at+head, at+size); err != nil {
			return err
		}
		at += size
	}
	return nil
}

func (b *boxes) read(p []byte, at int64) error {
	if n, err := b.r.ReadAt(p, at); n < len(p) {
		return fmt.Errorf("read the film's boxes: %w", err)
	}
	return nil
}

// printable says whether a box's kind could be one. QuickTime uses © too.
func printable(kind string) bool {
	for _, c := range []byte(kind) {
		if (c < ' ' || c > '~') && c != 0xa9 {
			return false
		}
	}
	return true
}
