package casefile

import (
	"fmt"
	"path"
	"regexp"
	"strings"
	"unicode"

	"sideport/annotate"
)

// Name is what the case file is called in its folder.
const Name = "case.yaml"

// DefaultLanguage is that of captions which do not name theirs.
const DefaultLanguage = "en"

// RecordingFile names the served copy of the i-th recording (from 0):
// "recording-1.mp4". What is served is always a cleaned copy, so what is not
// WebM is MP4. Original names are never kept: they can carry a patient's name.
func RecordingFile(i int, container string) string {
	if container != "webm" {
		container = "mp4"
	}
	return fmt.Sprintf("recording-%d.%s", i+1, container)
}

// CaptionsFile names a track of the i-th recording: "recording-1.vtt" where it
// is the only one and in the default language, else "recording-1.de.vtt".
func CaptionsFile(i int, r annotate.Recording, track int) string {
	language := trackLanguage(r.Captions[track])
	if len(r.Captions) == 1 && language == DefaultLanguage {
		return fmt.Sprintf("recording-%d.vtt", i+1)
	}
	return fmt.Sprintf("recording-%d.%s.vtt", i+1, language)
}

// StillFile names the i-th still: "still-1.jpg".
func StillFile(i int) string { return fmt.Sprintf("still-%d.jpg", i+1) }

// trackLanguage keeps what a file name and the case file can hold.
func trackLanguage(t annotate.Track) string {
	if !languageForm.MatchString(t.Language) {
		return DefaultLanguage
	}
	return t.Language
}

// languageForm is the shape of a language tag (BCP 47), not its registry.
var languageForm = regexp.MustCompile(`^[A-Za-z]{2,8}(-[A-Za-z0-9]{1,8}){0,6}$`)

// checkPath says what is wrong with the name of a file in the case's folder,
// or "".
func checkPath(p string) string {
	switch {
	case p == "":
		return "the name of the file is missing"
	case len(p) > 1000:
		return "the name of the file is longer than 1000 bytes; use a shorter one"
	case strings.ContainsFunc(p, unseen):
		return "the name of the file holds a control character; rename the file"
	case strings.Contains(p, `\`):
		return fmt.Sprintf("%q holds a backslash; part folders with /", p)
	case path.IsAbs(p) || len(p) > 1 && p[1] == ':':
		return fmt.Sprintf("%q is an absolute path; files are named as they lie in the case's own folder, as in film.mp4", p)
	}
	for _, part := range strings.Split(p, "/") {
		switch {
		case part == "..":
			return fmt.Sprintf("%q leads out of the case's folder; put the file into the folder", p)
		case part == "" || part == ".":
			return fmt.Sprintf("%q is not a plain path; write it as in film.mp4 or films/film.mp4", p)
		case part[0] == '.':
			return fmt.Sprintf("%q is a hidden file; rename it so that it does not begin with a dot", p)
		case len(part) > 255:
			return "the name of the file is longer than 255 bytes; use a shorter one"
		}
	}
	return ""
}

// unseen finds what does not show in a name: controls, line ends and the marks
// that turn the direction of text.
func unseen(r rune) bool {
	return unicode.IsControl(r) || r >= 0x2028 && r <= 0x202E || r >= 0x2066 && r <= 0x2069 || r == 0xFEFF
}
