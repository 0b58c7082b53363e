package caption

import (
	"fmt"
	"strings"
	"testing"
	"unicode/utf8"

	"github.com/google/go-cmp/cmp"

	"sideport/annotate"
)

const second = annotate.Second

func TestReadRefuses(t *testing.T) {
	var many strings.Builder
	many.WriteString("WEBVTT\n")
	for range MaxCues + 1 {
		many.WriteString("\n00:00.000 --> 00:01.000\n")
	}
	cue := "WEBVTT\n\n00:00.000 --> 00:01.000\n"
	for _, tt := range []struct{ name, data, say string }{
		{"empty", "", "Line 1"},
		{"other text", "1\n00:00:01,000 --> 00:00:02,000\nSRT\n", "Line 1 of the captions is not WEBVTT"},
		{"lower case", "webvtt\n\n", "Line 1"},
		{"glued", "WEBVTTfoo\n", "Line 1"},
		{"junk before", "\nWEBVTT\n\n", "Line 1"},
		{"NUL after", "WEBVTT\x00", "Line 1"},
		{"too long a file", cue + strings.Repeat("a line of it\n", MaxBytes/13+1), "5 MiB"},
		{"too long a line", cue + strings.Repeat("x", MaxLine+1), "Line 4 of the captions is 32769 bytes long"},
		{"too many cues", many.String(), "Line 200003 begins caption 100001"},
		{"too many tags", cue + strings.Repeat("<b>x", MaxTags+1), "The caption in line 3 holds 201 times the sign <"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			doc, _, err := Read([]byte(tt.data))
			if annotate.CauseOf(err) != annotate.Invalid || !strings.Contains(fmt.Sprint(err), tt.say) {
				t.Errorf("Read: %v, want an invalid fault with %q", err, tt.say)
			}
			if len(doc.Cues) > 0 {
				t.Errorf("Read kept %d cues beside its error", len(doc.Cues))
			}
			if cues, _, err := Cues([]byte(tt.data)); err == nil || cues != nil {
				t.Errorf("Cues = %d cues, %v", len(cues), err)
			}
		})
	}
}

func TestReadAtItsLimits(t *testing.T) {
	cue := "WEBVTT\n\n00:00.000 --> 00:01.000\n"
	for name, data := range map[string]string{
		"line":  cue + strings.Repeat("x", MaxLine),
		"tags":  cue + strings.Repeat("<b>x", MaxTags),
		"bytes": cue + strings.Repeat("x\n", (MaxBytes-len(cue))/2),
	} {
		if doc, _, err := Read([]byte(data)); err != nil || len(doc.Cues) != 1 {
			t.Errorf("%s: %d cues, %v", name, len(doc.Cues), err)
		}
	}
}

func TestReadEncodings(t *testing.T) {
	file := "WEBVTT\n\n00:01.000 --> 00:02.000\nsecond é µm “ok” €"
	utf16 := func(bom string, little bool) string {
		var b strings.Builder
		b.WriteString(bom)
		for _, r := range file {
			hi, lo := byte(r>>8), byte(r)
			if little {
				hi, lo = lo, hi
			}
			b.Write([]byte{hi, lo})
		}
		return b.String()
	}
	w1252 := "WEBVTT\n\n00:01.000 --> 00:02.000\nsecond \xE9 \xB5m \x93ok\x94 \x80"
	for _, tt := range []struct{ name, data, warning string }{
		{"UTF-8", file, ""},
		{"UTF-8 with a mark", "\uFEFF" + file, ""},
		{"CR LF", strings.ReplaceAll(file, "\n", "\r\n"), ""},
		{"CR", strings.ReplaceAll(file, "\n", "\r"), ""},
		{"UTF-16 LE", utf16("\xFF\xFE", true), "UTF-16"},
		{"UTF-16 BE", utf16("\xFE\xFF", false), "UTF-16"},
		{"Windows-1252", w1252, "Windows-1252"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			cues, found, err := Cues([]byte(tt.data))
			want := []annotate.Cue{{Span: annotate.Span{From: second, To: 2 * second}, Text: "second é µm “ok” €"}}
			if d := cmp.Diff(want, cues); d != "" || err != nil {
				t.Errorf("Cues: %v\n%s", err, d)
			}
			if got := says(found); (tt.warning == "") != (got == "") || !strings.Contains(got, tt.warning) {
				t.Errorf("problems %q, want %q", got, tt.warning)
			}
		})
	}
	if _, found, err := Read([]byte("\xEF\xBB\xBFWEBVTT\n\n00:01.000 --> 00:02.000\nbad \xFF byte")); err != nil || len(found) != 1 {
		t.Errorf("bad byte after a UTF-8 mark: %v, %v", found, err)
	}
}

// says joins problems as "line: what".
func says(found []annotate.Problem) string {
	var out []string
	for _, p := range found {
		out = append(out, fmt.Sprintf("%d: %s", p.Line, p.Say))
	}
	return strings.Join(out, "\n")
}

// A CR LF pair must be one line break wherever it falls, not only away from
// the edges of a read buffer.
func TestReadLineEndingsAnywhere(t *testing.T) {
	for pad := range 40 {
		data := "WEBVTT " + strings.Repeat("x", 4070+pad) + "\r\n\r\n00:01.000 --> 00:02.000\r\none\r\ntwo\r\n"
		cues, _, err := Cues([]byte(data))
		if err != nil || len(cues) != 1 || cues[0].Text != "one\ntwo" {
			t.Fatalf("pad %d: %v, %v", pad, cues, err)
		}
	}
}

func TestReadWarns(t *testing.T) {
	for _, tt := range []struct{ name, data, want string }{
		{"nothing left out", "WEBVTT - a title\n\nNOTE a comment\nof two lines\n\n1\n00:01.000 --> 00:02.000 align:start\nx\n", ""},
		{"header junk", "WEBVTT\nKind: captions\n\n", `2: "Kind: captions" in the header is left out`},
		{"loose lines", "WEBVTT\n\nlost words\nmore\n", `3: "lost words" belongs to no caption`},
		{"comma for a dot", "WEBVTT\n\n7\n00:00:01,000 --> 00:00:02,000\nx\n", `4: "00:00:01,000 --> 00:00:02,000" is left out with its caption`},
		{"seconds of 60", "WEBVTT\n\n00:60.000 --> 01:01.000\nx\n", "seconds under 60"},
		{"no second time", "WEBVTT\n\n00:01.000 -->\nx\n", "3: "},
		{"beyond 100 h", "WEBVTT\n\n101:00:00.000 --> 101:00:01.000\nx\n", "100 hours"},
		{"setting unknown", "WEBVTT\n\n00:01.000 --> 00:02.000 align:middle colour:red junk\nx\n", "3: \"align:middle\" is not a caption setting and is left out\n3: \"colour:red\" is not a caption setting and is left out\n3: \"junk\""},
		{"region unknown", "WEBVTT\n\n00:01.000 --> 00:02.000 region:fred\nx\n", `3: there is no region "fred"`},
		{"region setting", "WEBVTT\n\nREGION\nid:a\ncolour:red\n", `3: "colour:red" is not a setting of a region`},
		{"style", "WEBVTT\n\nSTYLE\n::cue { color: red }\n", "3: the style sheet is left out"},
		{"style after a cue", "WEBVTT\n\n00:01.000 --> 00:02.000\nx\n\nSTYLE\n::cue { color: red }\n", `6: "STYLE" belongs to no caption`},
	} {
		t.Run(tt.name, func(t *testing.T) {
			_, found, err := Read([]byte(tt.data))
			if err != nil {
				t.Fatal(err)
			}
			if got := says(found); (tt.want == "") != (got == "") || !strings.Contains(got, tt.want) {
				t.Errorf("problems:\n%s\nwant\n%s", got, tt.want)
			}
			if bad := annotate.Errors(found); len(bad) > 0 {
				t.Errorf("more than warnings: %v", bad)
			}
		})
	}
}

func TestReadCapsWarnings(t *testing.T) {
	_, found, err := Read([]byte("WEBVTT\n\n" + strings.Repeat("loose\n\n", 1000)))
	if err != nil || len(found) != maxWarnings+1 || !strings.Contains(found[maxWarnings].Say, "800 more") {
		t.Errorf("%d problems, last %v, %v", len(found), found[len(found)-1], err)
	}
}

func TestCues(t *testing.T) {
	data := `WEBVTT

late
00:10.000 --> 00:12.000
<v Someone>Now <b>chop</b> &amp; hold
  second   line

early
00:01.000 --> 00:02.500
IOP &lt; 20

00:05.000 --> 00:05.000
an instant

00:07.000 --> 00:06.000
backwards

00:20.000 --> 00:21.000
<i> </i>

00:22.000 --> 00:23.000
a&#10;&#10;b
`
	got, found, err := Cues([]byte(data))
	if err != nil {
		t.Fatal(err)
	}
	want := []annotate.Cue{
		{ID: "early", Span: annotate.Span{From: second, To: 2500 * annotate.Millisecond}, Text: "IOP < 20"},
		{ID: "late", Span: annotate.Span{From: 10 * second, To: 12 * second}, Text: "Now chop & hold\nsecond   line"},
		{Span: annotate.Span{From: 22 * second, To: 23 * second}, Text: "a\nb"},
	}
	if d := cmp.Diff(want, got); d != "" {
		t.Errorf("cues:\n%s", d)
	}
	for i, w := range []string{"4: the names of who speaks", `12: the caption "an instant" ends at 00:05`, `15: the caption "backwards"`, "18: the caption at 00:20 has no words"} {
		if i >= len(found) || !strings.HasPrefix(says(found[i:i+1]), w) {
			t.Errorf("problem %d of\n%s\nwant %s", i, says(found), w)
		}
	}
}

func TestCuesLeavesOutEndlessText(t *testing.T) {
	data := "WEBVTT\n\n00:01.000 --> 00:02.000\n" + strings.Repeat("words\n", annotate.MaxWords)
	if cues, found, err := Cues([]byte(data)); err != nil || len(cues) != 0 || !strings.Contains(says(found), "more than the 5000 allowed") {
		t.Errorf("%d cues, %v, %v", len(cues), found, err)
	}
}

func FuzzRead(f *testing.F) {
	for _, s := range []string{"", "WEBVTT", "WEBVTT\n\nREGION\nid:a lines:3\n\nSTYLE\nx\n\n1\n00:00.000 --> 00:01.000 region:a line:1%,end\n<v.a b>x<00:00.500>&amp;&#x20;</v>",
		"\xFF\xFEW\x00", "WEBVTT\r\r-->\n00:00.000 --> 1:00:00.000\nx", "WEBVTT\n\n<ruby>a<rt>b</ruby>"} {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		doc, found, err := Read(data)
		if err != nil {
			if annotate.CauseOf(err) != annotate.Invalid {
				t.Errorf("Read: %v is not an invalid fault", err)
			}
			return
		}
		if bad := annotate.Errors(found); len(bad) > 0 || len(found) > maxWarnings+1 {
			t.Errorf("problems %v", found)
		}
		for _, c := range doc.Cues {
			if c.Span.From < 0 || c.Span.To > annotate.MaxTime || !utf8.ValidString(c.Text) || strings.Contains(c.Text, "-->") || c.Line < 2 {
				t.Errorf("cue %+v", c)
			}
		}
		cues, _, err := Cues(data)
		if err != nil {
			t.Fatalf("Cues: %v after Read took it", err)
		}
		roundTrip(t, cues)
	})
}
