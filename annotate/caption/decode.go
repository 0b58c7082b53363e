package caption

import (
	"bytes"
	"encoding/binary"
	"strings"
	"unicode/utf16"
	"unicode/utf8"

	"sideport/annotate"
)

// windows1252 is what the bytes 0x80 to 0x9F stand for (WHATWG Encoding
// Standard, index windows-1252); the other bytes are their own code points.
var windows1252 = [32]rune{
	'€', 0x81, '‚', 'ƒ', '„', '…', '†', '‡', 'ˆ', '‰', 'Š', '‹', 'Œ', 0x8D, 'Ž', 0x8F,
	0x90, '‘', '’', '“', '”', '•', '–', '—', '˜', '™', 'š', '›', 'œ', 0x9D, 'ž', 'Ÿ',
}

// decode turns the bytes of a file into lines. WebVTT is UTF-8; what older
// tools write instead is recognised and warned of.
func decode(data []byte) ([]string, []annotate.Problem, error) {
	if len(data) > MaxBytes {
		return nil, nil, annotate.Faultf(annotate.Invalid,
			"The captions are %d bytes long; more than %d MiB are not read. Split them by recording.", len(data), MaxBytes>>20)
	}
	text, warning := toUTF8(data)
	var found []annotate.Problem
	if warning != "" {
		found = append(found, annotate.Problem{Say: warning, Warning: true})
	}
	text = strings.ReplaceAll(unixLines(text), "\x00", "\uFFFD")
	lines := strings.Split(text, "\n")
	for i, l := range lines {
		if len(l) > MaxLine {
			return nil, nil, annotate.Faultf(annotate.Invalid,
				"Line %d of the captions is %d bytes long; more than %d KiB in one line are not read.", i+1, len(l), MaxLine>>10)
		}
	}
	if lines[len(lines)-1] == "" {
		lines = lines[:len(lines)-1]
	}
	return lines, found, nil
}

func toUTF8(data []byte) (text, warning string) {
	switch {
	case bytes.HasPrefix(data, []byte("\xEF\xBB\xBF")):
		data = data[3:]
		if !utf8.Valid(data) {
			return strings.ToValidUTF8(string(data), "\uFFFD"), "some characters are not UTF-8, as the file says they are; they are shown as \uFFFD"
		}
		return string(data), ""
	case bytes.HasPrefix(data, []byte("\xFF\xFE")):
		return fromUTF16(data[2:], binary.LittleEndian), "the captions are UTF-16; WebVTT is UTF-8, and they are kept as that"
	case bytes.HasPrefix(data, []byte("\xFE\xFF")):
		return fromUTF16(data[2:], binary.BigEndian), "the captions are UTF-16; WebVTT is UTF-8, and they are kept as that"
	case utf8.Valid(data):
		return string(data), ""
	}
	return from1252(data), "the captions are not UTF-8; they were read as Windows-1252, so look whether accents and signs are right"
}

// fromUTF16 reads code units; an odd last byte and lone surrogates are U+FFFD.
func fromUTF16(data []byte, order binary.ByteOrder) string {
	units := make([]uint16, 0, len(data)/2+1)
	for ; len(data) > 1; data = data[2:] {
		units = append(units, order.Uint16(data))
	}
	if len(data) == 1 {
		units = append(units, utf8.RuneError)
	}
	return string(utf16.Decode(units))
}

func from1252(data []byte) string {
	var b strings.Builder
	b.Grow(len(data) + len(data)/8)
	for _, c := range data {
		r := rune(c)
		if c >= 0x80 && c <= 0x9F {
			r = windows1252[c-0x80]
		}
		b.WriteRune(r)
	}
	return b.String()
}
