package media

import (
	"fmt"

	"sideport/annotate"
)

// refuse makes the fault for a file that cannot be used.
func refuse(err error, format string, args ...any) error {
	return &annotate.Fault{Cause: annotate.Invalid, Say: fmt.Sprintf(format, args...), Err: err}
}

const wanted = "a recording is an MP4, MOV, WebM or MKV file"

func faultUnreadable(err error) error {
	return refuse(err, "this file begins like a film but cannot be read; it may be damaged: copy it again from the recorder")
}

func faultPixels(err error, pixels int) error {
	return refuse(err, "the picture has more than %d million pixels, or a side of more than %d; make a smaller copy and add that", pixels/1_000_000, maxSide)
}

func faultCut(err error) error {
	return refuse(err, "this film breaks off: the file is shorter than it says it is, most likely from an interrupted copy; copy it again from the recorder. Where this is all there is, ffmpeg -i FILE -c copy mended.mkv keeps what still plays")
}

func faultNoTable() error {
	return refuse(nil, "this film breaks off before its table of contents (moov), without which nothing in it can be found: copy it again from the recorder, or use the recorder's repair function if it was switched off while filming")
}

func faultElsewhere() error {
	return refuse(nil, "the pictures or sound of this film lie in another file, to which it only points; save it as a self-contained film and add that")
}

func faultEncrypted() error {
	return refuse(nil, "this film is encrypted; export it without copy protection and add that")
}
