package caption

import (
	"encoding/json"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"sideport/annotate"
)

// wantCue is a cue of expected.json: what the W3C's own parser reads.
type wantCue struct {
	ID         string
	Start, End float64
	Text       string
}

func readVector(t *testing.T, name string) Document {
	t.Helper()
	data, err := os.ReadFile(filepath.Join("testdata", name))
	if err != nil {
		t.Fatal(err)
	}
	doc, _, err := Read(data)
	if err != nil {
		t.Fatalf("Read(%s): %v", name, err)
	}
	return doc
}

func readJSON(t *testing.T, name string, to any) {
	t.Helper()
	data, err := os.ReadFile(filepath.Join("testdata", name))
	if err == nil {
		err = json.Unmarshal(data, to)
	}
	if err != nil {
		t.Fatal(err)
	}
}

func TestFileParsingVectors(t *testing.T) {
	var want map[string][]wantCue
	readJSON(t, "file-parsing/expected.json", &want)
	if len(want) != 37 {
		t.Fatalf("expected.json has %d files, want 37", len(want))
	}
	for name, cues := range want {
		t.Run(name, func(t *testing.T) {
			got := []wantCue{}
			for _, c := range readVector(t, "file-parsing/"+name).Cues {
				got = append(got, wantCue{c.ID, c.Span.From.Seconds(), c.Span.To.Seconds(), c.Text})
			}
			if d := cmp.Diff(cues, got); d != "" {
				t.Errorf("cues (-W3C parser +ours):\n%s", d)
			}
		})
	}
}

// The assertions below are the suite's own, from the .js beside each file.

// fields gives one field of every cue's settings as text.
func fields(doc Document, of func(Settings) string) string {
	var out []string
	for _, c := range doc.Cues {
		out = append(out, of(c.Settings))
	}
	return strings.Join(out, " ")
}

func orAuto(v *float64) string {
	if v == nil {
		return "auto"
	}
	return fmt.Sprint(*v + 0) // + 0 turns −0 into 0, as the suite's == does
}

func TestSettingsVectors(t *testing.T) {
	line := func(s Settings) string { return fmt.Sprintf("%s/%v/%s", orAuto(s.Line), s.SnapToLines, s.LineAlign) }
	var lines []string
	for _, v := range []float64{-1, 0, 0, 1, 100, 101, 65536, 4294967296, 18446744073709552000, 1e34, 1.5, math.MaxFloat64, -math.MaxFloat64, math.SmallestNonzeroFloat64, 0} {
		lines = append(lines, fmt.Sprintf("%v/true/start", v))
	}
	lines = append(lines, slices.Repeat([]string{"auto/true/start"}, 23)...)
	lines = append(lines, "0/false/start", "0/false/start", "100/false/start", "100/false/start", "100/false/center", "100/false/end", "5e-324/false/start", "0/false/start")
	for _, tt := range []struct {
		file string
		of   func(Settings) string
		want string
	}{
		{"settings-align", func(s Settings) string { return s.Align }, "center start center end left right end end end end end end center"},
		{"settings-line", line, strings.Join(lines, " ")},
		{"settings-position", func(s Settings) string { return orAuto(s.Position) + "/" + s.PositionAlign },
			"1/auto 100/auto 1/auto 1.5/auto 1/line-left 1/center 1/line-right 1/auto" + strings.Repeat(" auto/auto", 14)},
		{"settings-size", func(s Settings) string { return fmt.Sprint(s.Size) }, "100 2 0 0 100 50 1.5" + strings.Repeat(" 100", 9)},
		{"settings-vertical", func(s Settings) string { return "'" + s.Vertical + "'" }, "'' 'lr' 'rl' 'lr' '' '' '' ''"},
		{"settings-multiple", func(s Settings) string {
			return strings.Join([]string{s.Align, orAuto(s.Line), s.Vertical, fmt.Sprint(s.Size), orAuto(s.Position)}, "/")
		}, "start/1/lr/50/25 center/1/rl/0/100"},
		{"nulls", func(s Settings) string { return s.Align }, "center center center center center center end"},
		{"settings-region", func(s Settings) string {
			if s.Region == nil {
				return "none"
			}
			return s.Region.ID
		}, "foo bar bar none foo none none none none"},
	} {
		t.Run(tt.file, func(t *testing.T) {
			got := fields(readVector(t, "file-parsing/"+tt.file+".vtt"), tt.of)
			if d := cmp.Diff(strings.Fields(tt.want), strings.Fields(got)); d != "" {
				t.Errorf("settings (-suite +ours):\n%s", d)
			}
		})
	}
}

func TestRegionVectors(t *testing.T) {
	anchors := "0,100 0,0 1,1 100,0 0,100 100,100" + strings.Repeat(" 0,100", 14)
	point := func(p Point) string { return fmt.Sprintf("%v,%v", p.X, p.Y) }
	for _, tt := range []struct {
		file string
		of   func(*Region) string
		want string
	}{
		{"regions-id", func(r *Region) string { return fmt.Sprint(r.Lines) }, "2 1 3 4"},
		{"regions-lines", func(r *Region) string { return fmt.Sprint(r.Lines) }, "0 1 100 101 65536 4.294967296e+09 1.8446744073709552e+19 1e+34 2 3 3 3 3"},
		{"regions-regionanchor", func(r *Region) string { return point(r.Anchor) }, anchors},
		{"regions-viewportanchor", func(r *Region) string { return point(r.ViewportAnchor) }, anchors},
		{"regions-scroll", func(r *Region) string { return fmt.Sprint(r.ScrollUp) }, "false true true false false true"},
		{"regions-old", func(r *Region) string { return "some" }, "none none"},
	} {
		t.Run(tt.file, func(t *testing.T) {
			got := fields(readVector(t, "file-parsing/"+tt.file+".vtt"), func(s Settings) string {
				if s.Region == nil {
					return "none"
				}
				return tt.of(s.Region)
			})
			if got != tt.want {
				t.Errorf("regions = %s, want %s", got, tt.want)
			}
		})
	}
}

func TestCueTextVectors(t *testing.T) {
	total := 0
	for _, name := range []string{"entities", "tags", "text", "timestamps", "tree-building"} {
		var want []struct{ Text, ExpectedTree string }
		readJSON(t, "cue-text/"+name+".json", &want)
		doc := readVector(t, "cue-text/"+name+".vtt")
		if len(doc.Cues) != len(want) {
			t.Fatalf("%s.vtt has %d cues, want %d", name, len(doc.Cues), len(want))
		}
		for i, w := range want {
			total++
			var b strings.Builder
			dump(&b, ParseText(doc.Cues[i].Text), "| ")
			if got := b.String(); got != w.ExpectedTree {
				t.Errorf("%s %q:\n%swant\n%s", name, w.Text, got, w.ExpectedTree)
			}
		}
	}
	if total != 77 {
		t.Errorf("ran %d vectors, want 77", total)
	}
}

// dump writes a tree as the suite does: what a browser would build of it.
func dump(b *strings.Builder, nodes []*Node, indent string) {
	elements := map[string]string{"c": "span", "v": "span", "lang": "span"}
	for _, n := range nodes {
		switch n.Tag {
		case "":
			fmt.Fprintf(b, "%s\"%s\"\n", indent, n.Value)
			continue
		case "timestamp":
			fmt.Fprintf(b, "%s<?timestamp %s>\n", indent, stamp(n.Time))
			continue
		}
		name := n.Tag
		if e := elements[name]; e != "" {
			name = e
		}
		fmt.Fprintf(b, "%s<%s>\n", indent, name)
		if len(n.Classes) > 0 {
			fmt.Fprintf(b, "%s  class=\"%s\"\n", indent, strings.Join(n.Classes, " "))
		}
		switch n.Tag {
		case "v":
			fmt.Fprintf(b, "%s  title=\"%s\"\n", indent, n.Value)
		case "lang":
			fmt.Fprintf(b, "%s  lang=\"%s\"\n", indent, n.Value)
		}
		dump(b, n.Children, indent+"  ")
	}
}

func TestPlainText(t *testing.T) {
	for _, tt := range []struct{ name, text, want string }{
		{"markup", "<v Dr A>Now <i.loud>chop</i> &amp; hold", "Now chop & hold"},
		{"ruby keeps its base", "<ruby>水晶体<rt>lens</rt></ruby> out", "水晶体 out"},
		{"ruby text with tags inside", "<ruby>a<rt><b>b</b></rt>c</ruby>d", "acd"},
		{"less than by hand", "IOP &lt; 20 &gt; 10", "IOP < 20 > 10"},
		{"not decoded twice", "&amp;lt;b&amp;gt;", "&lt;b&gt;"},
		{"numeric at the very end", "tab&#9", "tab\t"},
		{"one digit before a letter", "&#9x", "\tx"},
		{"numeric beyond Unicode", "&#99999999999;&#x110000;&#xD800;&#0;", "\uFFFD\uFFFD\uFFFD\uFFFD"},
		{"numeric of Windows-1252", "&#128;", "€"},
		{"no digits", "&#;&#x;&#", "&#;&#x;&#"},
		{"directions", "a&lrm;b&rlm;c&nbsp;d", "a\u200eb\u200fc\u00a0d"},
		{"timestamp", "one<00:01.000>two<nonsense", "onetwo"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			if got := PlainText(tt.text); got != tt.want {
				t.Errorf("PlainText(%q) = %q, want %q", tt.text, got, tt.want)
			}
		})
	}
}

func TestTimestampLimit(t *testing.T) {
	if got, _, err := timestamp("100:00:00.000"); err != nil || got != annotate.MaxTime {
		t.Errorf("timestamp at the limit = %v, %v", got, err)
	}
	for _, s := range []string{"100:00:00.001", "1000:00:00.000", "99999999999999999999:00:00.000"} {
		if got, _, err := timestamp(s); err == nil {
			t.Errorf("timestamp(%s) = %v, want an error", s, got)
		}
	}
}
