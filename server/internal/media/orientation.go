package media

import (
	"bytes"
	"encoding/binary"
)

// orientation finds how the camera was held, 1 to 8 as EXIF counts, in a JPEG,
// PNG or WebP file; 1 where it does not say.
func orientation(container string, b []byte) int {
	switch container {
	case "jpeg":
		return exifOrientation(jpegExif(b))
	case "png":
		return exifOrientation(chunk(b, 8, "eXIf", binary.BigEndian, 4, 4))
	case "webp":
		return exifOrientation(chunk(b, 12, "EXIF", binary.LittleEndian, 0, 0))
	}
	return 1
}

// jpegExif finds the EXIF segment (APP1) before the picture begins.
func jpegExif(b []byte) []byte {
	for at := 2; at+4 <= len(b) && b[at] == 0xff; {
		marker, n := b[at+1], int(binary.BigEndian.Uint16(b[at+2:]))
		if marker == 0xda || n < 2 || at+2+n > len(b) {
			return nil
		}
		if body := b[at+4 : at+2+n]; marker == 0xe1 && bytes.HasPrefix(body, []byte("Exif\x00\x00")) {
			return body[6:]
		}
		at += 2 + n
	}
	return nil
}

// chunk finds a chunk by its name in a PNG (length first, a checksum after) or
// RIFF (name first, padded to even) file.
func chunk(b []byte, at int, name string, order binary.ByteOrder, nameAt, after int) []byte {
	for at+8 <= len(b) {
		n := int64(order.Uint32(b[at+4-nameAt:]))
		body := int64(at + 8)
		if body+n > int64(len(b)) {
			return nil
		}
		if string(b[at+nameAt:at+nameAt+4]) == name {
			data := b[body : body+n]
			return bytes.TrimPrefix(data, []byte("Exif\x00\x00")) // some WebP writers keep JPEG's mark
		}
		if after == 0 {
			n += n & 1
		}
		at = int(body + n + int64(after))
	}
	return nil
}

// exifOrientation reads tag 0x0112 of the first directory of a TIFF block.
func exifOrientation(b []byte) int {
	var order binary.ByteOrder = binary.BigEndian
	if bytes.HasPrefix(b, []byte("II*\x00")) {
		order = binary.LittleEndian
	} else if !bytes.HasPrefix(b, []byte("MM\x00*")) {
		return 1
	}
	if len(b) < 8 {
		return 1
	}
	at := int64(order.Uint32(b[4:]))
	if at+2 > int64(len(b)) {
		return 1
	}
	entries := b[at+2:]
	for range order.Uint16(b[at:]) {
		if len(entries) < 12 {
			break
		}
		if order.Uint16(entries) == 0x0112 {
			if v := order.Uint16(entries[8:]); v >= 1 && v <= 8 {
				return int(v)
			}
			break
		}
		entries = entries[12:]
	}
	return 1
}
