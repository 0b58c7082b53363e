package media

import (
	"fmt"
	"io"
	"math/bits"
)

// Element ids of EBML and Matroska (RFC 8794, RFC 9559).
const (
	idEBML    = 0x1a45dfa3
	idDocType = 0x4282
	idSegment = 0x18538067
	idVoid    = 0xec
	idCRC     = 0xbf
)

// unknownSize marks an element that goes on until the file ends.
const unknownSize = -1

// sniffMatroska reads the head of an EBML file: what kind it says it is, and
// whether the film in it is as long as it says.
func sniffMatroska(r io.ReaderAt, size int64) (format, error) {
	e := elements{r: r, size: size}
	_, body, n, err := e.header(0)
	if err == nil && (n == unknownSize || n > 4<<10) {
		err = fmt.Errorf("an EBML header of %d bytes", n)
	}
	if err != nil {
		return format{}, faultUnreadable(err)
	}
	doc, err := e.docType(body, body+n)
	if err != nil {
		return format{}, faultUnreadable(err)
	}
	f := format{demuxer: "matroska"}
	switch doc {
	case "webm":
		f.container = "webm"
	case "matroska":
		f.container = "mkv"
	default:
		return format{}, refuse(nil, "this is an EBML file of the kind %.20q, not a film: %s", doc, wanted)
	}
	at := body + n
	for range 16 {
		id, body, n, err := e.header(at)
		switch {
		case err != nil:
			return format{}, faultCut(fmt.Errorf("no segment: %w", err))
		case id == idSegment && n == unknownSize:
			f.measured = true // written live: it ends where it ends
			return f, nil
		case id == idSegment && body+n > size:
			return format{}, faultCut(nil)
		case id == idSegment:
			return f, nil
		case n == unknownSize || id != idVoid && id != idCRC:
			return format{}, faultUnreadable(fmt.Errorf("element %#x where the segment should be", id))
		}
		at = body + n
	}
	return format{}, faultUnreadable(fmt.Errorf("no segment"))
}

// elements reads the heads of EBML elements.
type elements struct {
	r    io.ReaderAt
	size int64
}

// docType finds the DocType between two offsets.
func (e elements) docType(at, end int64) (string, error) {
	for at < end {
		id, body, n, err := e.header(at)
		if err != nil {
			return "", err
		}
		if id == idDocType && n >= 0 && n <= 64 {
			b := make([]byte, n)
			if m, err := e.r.ReadAt(b, body); m < len(b) {
				return "", fmt.Errorf("read the DocType: %w", err)
			}
			return string(b), nil
		}
		if n == unknownSize {
			break
		}
		at = body + n
	}
	return "", fmt.Errorf("the EBML header has no DocType")
}

// header reads an element's id, where its body begins and how long that is.
func (e elements) header(at int64) (id uint64, body, n int64, err error) {
	var b [12]byte
	m, err := e.r.ReadAt(b[:], at)
	if at < 0 || m == 0 {
		return 0, 0, 0, fmt.Errorf("no element at %d: %w", at, err)
	}
	idLen := bits.LeadingZeros8(b[0]) + 1
	if idLen > 4 || m <= idLen {
		return 0, 0, 0, fmt.Errorf("no element id at %d", at)
	}
	for _, c := range b[:idLen] {
		id = id<<8 | uint64(c)
	}
	sizeLen := bits.LeadingZeros8(b[idLen]) + 1
	if sizeLen > 8 || m < idLen+sizeLen {
		return 0, 0, 0, fmt.Errorf("no element size at %d", at)
	}
	v := uint64(b[idLen]) & (1<<(8-sizeLen) - 1)
	for _, c := range b[idLen+1 : idLen+sizeLen] {
		v = v<<8 | uint64(c)
	}
	body, n = at+int64(idLen+sizeLen), int64(v)
	if v == 1<<(7*sizeLen)-1 {
		n = unknownSize
	}
	return id, body, n, nil
}
