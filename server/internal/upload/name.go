package upload

import (
	"fmt"
	"strings"
	"unicode"
)

// MaxName is how many characters of a file's name are kept.
const MaxName = 120

// CleanName makes a name for people of what a browser calls a file: the last
// element of a path, without control, direction and other unseen characters,
// of at most [MaxName] characters, and "film" where nothing is left.
func CleanName(s string) string {
	s = strings.ToValidUTF8(s, "")
	if i := strings.LastIndexAny(s, `/\`); i >= 0 {
		s = s[i+1:]
	}
	s = strings.Map(func(r rune) rune {
		switch {
		case unicode.IsSpace(r):
			return ' '
		case !unicode.IsGraphic(r):
			return -1
		}
		return r
	}, s)
	s = strings.Join(strings.Fields(s), " ")
	if r := []rune(s); len(r) > MaxName {
		s = strings.TrimSpace(string(r[:MaxName]))
	}
	if strings.Trim(s, ". ") == "" {
		return "film"
	}
	return s
}

// bytes writes a size for people, in the decimal units of disks: "2.1 GB".
func bytes(n int64) string {
	units := []string{"bytes", "kB", "MB", "GB", "TB"}
	v, i := float64(n), 0
	for ; v >= 999.5 && i < len(units)-1; i++ {
		v /= 1000
	}
	if i == 0 {
		return fmt.Sprintf("%d bytes", n)
	}
	if v < 10 {
		return fmt.Sprintf("%.1f %s", v, units[i])
	}
	return fmt.Sprintf("%.0f %s", v, units[i])
}
