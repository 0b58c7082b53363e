package web

import (
	"math"
	"os"
	"regexp"
	"strconv"
	"strings"
	"testing"
)

var token = regexp.MustCompile(`--([a-z-]+):\s*#([0-9a-f]{6});`)

// themes reads the colours of the light and the dark set; what the dark set
// does not name it has from the light one.
func themes(t *testing.T) map[string]map[string]string {
	t.Helper()
	css, err := os.ReadFile("static/tokens.css")
	if err != nil {
		t.Fatal(err)
	}
	light, dark, ok := strings.Cut(string(css), "@media (prefers-color-scheme: dark)")
	if !ok {
		t.Fatal("tokens.css has no dark set")
	}
	out := map[string]map[string]string{"light": {}, "dark": {}}
	for _, m := range token.FindAllStringSubmatch(light, -1) {
		out["light"][m[1]], out["dark"][m[1]] = m[2], m[2]
	}
	for _, m := range token.FindAllStringSubmatch(dark, -1) {
		out["dark"][m[1]] = m[2]
	}
	return out
}

// luminance and contrast are those of WCAG 2.2 (relative luminance, contrast ratio).
func luminance(hex string) float64 {
	n, _ := strconv.ParseUint(hex, 16, 32)
	lin := func(c uint64) float64 {
		s := float64(c&0xff) / 255
		if s <= 0.04045 {
			return s / 12.92
		}
		return math.Pow((s+0.055)/1.055, 2.4)
	}
	return 0.2126*lin(n>>16) + 0.7152*lin(n>>8) + 0.0722*lin(n)
}

func contrast(a, b string) float64 {
	x, y := luminance(a), luminance(b)
	return (max(x, y) + 0.05) / (min(x, y) + 0.05)
}

func TestContrast(t *testing.T) {
	if got := contrast("000000", "ffffff"); math.Abs(got-21) > 1e-9 {
		t.Fatalf("black on white is %v, want 21", got)
	}
	const words, signs = 4.5, 3.0 // WCAG 2.2, 1.4.3 and 1.4.11
	pairs := []struct {
		least float64
		fore  []string
		back  []string
	}{
		{words, []string{"ink", "ink-soft", "accent", "trouble"}, []string{"paper", "sheet"}},
		{words, []string{"ink", "ink-soft", "accent", "trouble"}, []string{"wash"}},
		{words, []string{"ink"}, []string{"mark"}},
		{words, []string{"trouble"}, []string{"trouble-wash"}},
		{words, []string{"on-accent"}, []string{"accent"}},
		{words, []string{"night-ink"}, []string{"night"}},
		{signs, []string{"edge", "accent"}, []string{"paper", "sheet"}},
	}
	for name, colour := range themes(t) {
		t.Run(name, func(t *testing.T) {
			held := func(fore, back string, least float64) {
				f, b := colour[fore], colour[back]
				if f == "" || b == "" {
					t.Fatalf("there is no colour %s or %s", fore, back)
				}
				if got := contrast(f, b); got < least {
					t.Errorf("%s on %s: contrast %.2f, want %v", fore, back, got, least)
				}
			}
			for _, p := range pairs {
				for _, f := range p.fore {
					for _, b := range p.back {
						held(f, b, p.least)
					}
				}
			}
			for _, f := range Families() {
				held("fam-"+f.ID, "paper", signs)
				held("fam-"+f.ID, "sheet", signs)
			}
		})
	}
}

// No colour stands outside the tokens, where the test above would not see it.
func TestColoursAreTokens(t *testing.T) {
	for _, file := range []string{"base", "library", "record", "desk"} {
		css, err := os.ReadFile("static/" + file + ".css")
		if err != nil {
			t.Fatal(err)
		}
		if bad := regexp.MustCompile(`#[0-9a-fA-F]{3,8}\b|rgba?\(|hsla?\(`).FindAllString(string(css), -1); bad != nil {
			t.Errorf("%s.css names colours of its own: %v", file, bad)
		}
	}
}
