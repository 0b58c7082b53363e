package casefile

import (
	"errors"
	"fmt"
	"strings"
	"testing"

	"sideport/annotate"
)

// refused gives the problems of a file that must not be taken.
func refused(t *testing.T, data []byte) []annotate.Problem {
	t.Helper()
	d, err := Parse(Name, data, vocabulary(t))
	if err == nil {
		t.Fatalf("taken: %+v", d.Case)
	}
	f, ok := errors.AsType[*annotate.Fault](err)
	if !ok || f.Cause != annotate.Invalid || len(f.Problems) == 0 || f.Say == "" {
		t.Fatalf("not an invalid fault with problems: %#v", err)
	}
	return f.Problems
}

func TestRefusals(t *testing.T) {
	const head = "title: a\nrecordings: [{file: a.mp4}, {file: b.mp4}]\nnotes:\n"
	long := strings.Repeat("w", annotate.MaxTitle+1)
	for _, tt := range []struct {
		name, data string
		want       []string // the whole of each problem
	}{
		{"unknown key", "title: a\ntitel: b", []string{`case.yaml:2:1: titel: "titel" is not a key of a case; did you mean "title"?`}},
		{"unknown key far from all", "title: a\npatient: {name: b}", []string{`case.yaml:2:11: patient.name: "name" is not a key of patient; it is one of age_band, sex`}},
		{"unknown key of a note", head + "  - {kind: stage, concept: st.cortex, form: 1, from: 1, to: 2}", []string{`case.yaml:4:39: notes[0].form: "form" is not a key of a stage; did you mean "from"?`}},
		{"key of another kind", head + "  - {kind: remark, at: 1, words: a, sign: b}", []string{`case.yaml:4:37: notes[0].sign: "sign" is not a key of a remark; it is one of kind, concept, said, at, from, to, words, recording, state`}},
		{"duplicate key", "title: a\neye: left\neye: right", []string{`case.yaml:3:1: eye: "eye" is here twice; it stands on line 2 already. Keep one.`}},
		{"duplicate key in a note", head + "  - {kind: remark, at: 1, at: 2, words: a}", []string{`case.yaml:4:27: notes[0].at: "at" is here twice; it stands on line 4 already. Keep one.`}},
		{"duplicate parameter", head + "  - {kind: setting, at: 1, values: {vacuum: 1 mmHg, vacuum-limit: 2 mmHg}}", []string{`case.yaml:4:53: notes[0].values.vacuum-limit: Vacuum limit is here twice; keep one`}},
		{"list for words", "title: [a]", []string{`case.yaml:1:8: title: a list stands where words are expected; words with : or brackets need double quotes`}},
		{"words for a list", "title: a\nfactors: small pupil", []string{`case.yaml:2:10: factors: "small pupil" stands where a list is expected; begin each entry with a dash on a line of its own`}},
		{"words for a mapping", "title: a\nfactors: [small pupil]", []string{`case.yaml:2:11: factors[0]: "small pupil" stands where a factor is expected; write it as {concept: …}`}},
		{"words for a note", "title: a\nnotes: [hello]", []string{`case.yaml:2:9: notes[0]: "hello" stands where a note is expected; write it as in {kind: stage, concept: hydrodissection, from: "02:20", to: "03:00"}`}},
		{"neither true nor false", "title: a\ndiscretion: maybe", []string{`case.yaml:2:13: discretion: "maybe" is neither true nor false`}},
		{"no title", "eye: left", []string{`case.yaml:1:1: title: a case needs a title: add a line such as title: "Posterior polar cataract, inside-out"`}},
		{"not a choice", "title: a\neye: both", []string{`case.yaml:2:6: eye: "both" is not known here; it is one of right, left`}},
		{"not an audience", "title: a\nconsent: {audience: everyone}", []string{`case.yaml:2:21: consent.audience: "everyone" is not an audience; it is one of own unit, professionals, public`}},
		{"consent without a day", "title: a\nconsent:\n  audience: public", []string{`case.yaml:3:3: consent.obtained: consent for public needs the day on which it was obtained, as in 2026-03-01`}},
		{"not a day", "title: a\nconsent: {audience: public, obtained: 1 March}", []string{`case.yaml:2:39: consent.obtained: "1 March" is not a day; write year, month and day, as in 2026-03-01`}},
		{"no kind", head + "  - {at: 1, words: a}", []string{`case.yaml:4:5: notes[0].kind: a note needs a kind, as in kind: stage`}},
		{"unknown kind", head + "  - {kind: teachng point, at: 1, words: a}", []string{`case.yaml:4:12: notes[0].kind: "teachng point" is not a kind of note; did you mean "teaching point"?`}},
		{"not a time", head + "  - {kind: remark, at: 5 past 2, words: a}", []string{`case.yaml:4:24: notes[0].at: "5 past 2" is not a time; write minutes and seconds, as in 05:35 or 05:35.2`}},
		{"seconds over 59", head + "  - {kind: remark, at: \"02:75\", words: a}", []string{`case.yaml:4:24: notes[0].at: "02:75" is not a time; write minutes and seconds, as in 05:35 or 05:35.2`}},
		{"too late", head + "  - {kind: remark, at: \"101:00:00\", words: a}", []string{`case.yaml:4:24: notes[0].at: "101:00:00" is beyond the 100 hours that a film may last`}},
		{"before the film", head + "  - {kind: remark, at: -5, words: a}", []string{`case.yaml:4:24: notes[0].at: -00:05 is before the film begins`}},
		{"end before begin", head + "  - {kind: stage, concept: st.cortex, from: \"03:00\", to: \"02:00\"}", []string{`case.yaml:4:58: notes[0].to: the note ends at 02:00, before it begins at 03:00`}},
		{"no time", head + "  - {kind: remark, words: a}\n  - {kind: stage, concept: st.cortex}", []string{
			`case.yaml:4:5: notes[0].at: a remark needs a time: add at:, as in at: "02:20"`,
			`case.yaml:5:5: notes[1].from: a stage needs a time: add from: and to:, as in from: "02:20", to: "03:00"`}},
		{"two times", head + "  - {kind: remark, at: 1, to: 2, words: a}", []string{`case.yaml:4:24: notes[0].at: a note has either at, or from and to; leave one out`}},
		{"span of an instant", head + "  - {kind: setting, from: 1, to: 2, values: {vacuum: 1 mmHg}}", []string{`case.yaml:4:34: notes[0].to: a setting has one time, not two; leave out the end`}},
		{"decision without at", head + "  - {kind: decision, from: 02:00, to: polish}", []string{`case.yaml:4:5: notes[0].at: a decision needs a time: add at:, as in at: "02:20"`}},
		{"last stage without an end", head + "  - {kind: stage, concept: st.cortex, from: 1}\n  - {kind: stage, concept: st.cortex, from: 2, to: 3, recording: b.mp4}",
			[]string{`case.yaml:4:5: notes[0].to: the last stage of a recording needs an end: add to: with its time, as in to: "01:01"`}},
		{"overlapping stages", head + "  - {kind: stage, concept: st.cortex, from: 1, to: 5}\n  - {kind: stage, concept: st.iol-insertion, from: 4, to: 9}\n  - {kind: stage, concept: st.iol-insertion, from: 4, to: 9, recording: b.mp4}",
			[]string{`case.yaml:5:52: notes[1].from: this stage begins at 00:04, before the one from 00:01 to 00:05 ends; let one end where the other begins`}},
		{"unknown recording", head + "  - {kind: remark, at: 1, words: a, recording: c.mp4}", []string{`case.yaml:4:48: notes[0].recording: no recording of this case has the file "c.mp4"; did you mean "a.mp4"?`}},
		{"unknown unit", head + "  - {kind: setting, at: 1, values: {vacuum: 120 furlongs}}", []string{`case.yaml:4:45: notes[0].values.vacuum: "furlongs" is not a unit known here; Vacuum limit is given in mmHg`}},
		{"unit of something else", head + "  - {kind: setting, at: 1, values: {vacuum: 12 mL}}", []string{`case.yaml:4:45: notes[0].values.vacuum: mL is not a unit of Vacuum limit; it is given in mmHg`}},
		{"no unit", head + "  - {kind: setting, at: 1, values: {vacuum: 120}}", []string{`case.yaml:4:45: notes[0].values.vacuum: "120" has no unit; Vacuum limit is given in mmHg, as in 350 mmHg`}},
		{"beyond the hard limit", head + "  - {kind: setting, at: 1, values: {vacuum: 800 mmHg}}", []string{`case.yaml:4:45: notes[0].values.vacuum: Vacuum limit cannot be 800 mmHg; it lies between 0 and 760 mmHg`}},
		{"unknown parameter", head + "  - {kind: setting, at: 1, values: {vacum: 120 mmHg}}", []string{`case.yaml:4:37: notes[0].values.vacum: "vacum" is not a parameter known here; did you mean "vacuum"?`}},
		{"no values", head + "  - {kind: setting, at: 1}", []string{`case.yaml:4:5: notes[0].values: a setting needs "values"`}},
		{"outcome beyond the hard limit", "title: a\noutcome: [{when: day 1, iop: 140 mmHg}]", []string{`case.yaml:2:30: outcome[0].iop: Intraocular pressure cannot be 140 mmHg; it lies between 0 and 100 mmHg`}},
		{"a date for a visit", "title: a\noutcome: [{when: 2026-03-02}]", []string{`case.yaml:2:18: outcome[0].when: "2026-03-02" is a date; say how long after the operation, as in day 1 or week 4`}},
		{"ambiguous term", "title: a\nfactors: [{concept: ring}]", []string{`case.yaml:2:21: factors[0].concept: "ring" can mean `}},
		{"too long", "title: " + long, []string{`case.yaml:1:8: title: 201 characters are more than the 200 allowed here`}},
		{"procedure too long", "title: a\nprocedure: " + long, []string{`case.yaml:2:12: procedure: 201 characters are more than the 200 allowed here`}},
		{"several at once", "titel: a\neye: up\nnotes:\n- {kind: remark, at: x, words: a}\n- {kind: remark, at: 1}", []string{
			`case.yaml:1:1: titel: `, `case.yaml:1:1: title: `, `case.yaml:2:6: eye: `, `case.yaml:4:22: notes[0].at: `, `case.yaml:5:3: notes[1].words: a remark needs words`}},
		{"recording without a file", "title: a\nrecordings: [{role: microscope}]", []string{`case.yaml:2:14: recordings[0].file: a recording needs a file, as in {file: film.mp4}`}},
		{"file named twice", "title: a\nrecordings: [{file: a.mp4}]\nstills: [{file: a.mp4}]", []string{`case.yaml:3:17: stills[0].file: "a.mp4" is named twice, also as recordings[0].file; each file has one use`}},
		{"captions in one language twice", "title: a\nrecordings: [{file: a.mp4, captions: [{file: a.vtt}, {file: b.vtt, language: en}]}]", []string{`case.yaml:2:54: recordings[0].captions[1]: captions in "en" are here twice; name the language of each file`}},
		{"not a language", "title: a\nrecordings: [{file: a.mp4, captions: [{file: a.vtt, language: ../x}]}]", []string{`case.yaml:2:63: recordings[0].captions[0].language: "../x" is not a language tag; write it as in en or pt-BR`}},

		{"empty", "", []string{`case.yaml:1:1: the file is empty; a case needs at least a title, as in title: "Posterior polar cataract"`}},
		{"only a comment", "# a case\n", []string{`case.yaml:1:1: the file is empty; `}},
		{"a list", "- title: a", []string{`case.yaml:1:1: a list stands where a case is expected; begin with a line such as title: "Posterior polar cataract"`}},
		{"words", "hello", []string{`case.yaml:1:1: "hello" stands where a case is expected; `}},
		{"alias", "title: &t a\nsummary: *t", []string{
			`case.yaml:1:8: title: &t gives this a name to be used elsewhere; a case file has no such names. Leave it out, or put the words into double quotes.`,
			`case.yaml:2:10: summary: *t stands for something written elsewhere; write it out here, or put the words into double quotes`}},
		{"alias of nothing", "title: *t", []string{`case.yaml:1:1: a name with * is used; `}},
		{"anchored key", "&a title: a", []string{`case.yaml:1:1: a key is a single word here, as in title`}},
		{"tag", "title: !!binary aGVsbG8=", []string{`case.yaml:1:8: title: the tag !!binary is not used in a case file; leave it out, or put the words into double quotes`}},
		{"own tag", "title: a\npatient: !patient {sex: other}", []string{`case.yaml:2:10: patient: the tag !patient is not used`}},
		{"merge key", "title: a\npatient: {<<: {sex: other}}", []string{`case.yaml:2:11: patient: << takes over another mapping; write out its entries here`}},
		{"list as a key", "title: a\n? [a, b]\n: c", []string{`case.yaml:2:3: a key is a single word here, as in title`}},
		{"two documents", "title: a\n---\ntitle: b\n", []string{`case.yaml:2:1: a second document begins here, after a line of ---; a case file holds one case. Put the other into a folder of its own.`}},
		{"deep", "title: a\nplan: " + strings.Repeat("[", 13) + strings.Repeat("]", 13), []string{`case.yaml:2:19: plan[0]`}},
		{"invalid UTF-8", "title: a\nsummary: caf\xe9", []string{`case.yaml:2:13: the byte 0xE9 is not UTF-8 text; save the file as UTF-8`}},
		{"truncated UTF-8", "title: caf\xc3", []string{`case.yaml:1:11: the byte 0xC3 is not UTF-8 text; save the file as UTF-8`}},
		{"UTF-16", "\xff\xfet\x00", []string{`case.yaml:1:1: the byte 0xFF is not UTF-8 text; save the file as UTF-8`}},
		{"control character", "title: a\x07b", []string{`case.yaml:1:9: there is a control character (U+0007); remove it`}},
		{"escaped control character", `title: "a\x07b"`, []string{`case.yaml:1:8: title: the text holds a control character; remove it`}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			got := refused(t, []byte(tt.data))
			if len(got) != len(tt.want) {
				t.Errorf("%d problems, want %d", len(got), len(tt.want))
			}
			for i, p := range got {
				if i >= len(tt.want) || !strings.HasPrefix(p.String(), tt.want[i]) {
					t.Errorf("problem %d is\n%s", i, p)
				}
			}
		})
	}
}

func TestYAMLErrorsInPlainWords(t *testing.T) {
	for _, tt := range []struct {
		name, data string
		line       int
		want       string
	}{
		{"colon in words", "title: a\nsummary: first: second", 2, "put the words into double quotes"},
		{"tab", "title: a\npatient:\n\tsex: other", 3, "spaces"},
		{"unclosed quote", "title: a\nsummary: \"b\neye: left\n", 2, "never closed"},
		{"unclosed brace", "title: a\npatient: {sex: other\neye: left", 2, "{ is not closed"},
		{"unclosed bracket", "title: a\nplan: [\n", 2, "bracket is not closed"},
		{"indentation", "title: a\npatient:\n    sex: other\n  age_band: 40-49\neye: left", 4, "indented unlike"},
		{"dash missing", "title: a\nfactors:\n  - {concept: small-pupil}\n  {concept: white}\n", 4, "no colon"},
		{"at sign", "title: @home", 1, "double quotes"},
		{"percent", "title: a\nsummary: %", 2, "double quotes"},
		{"words after a quote", "title: a\nsummary: \"b\" c\neye: left", 2, "closing quote"},
		{"no colon", "title: a\nsummary\neye: left", 2, "no colon"},
		{"bad escape", `title: "a\q"`, 1, "backslash"},
		{"list on the key's line", "title: a\nfactors: - b", 2, "next line"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			ps := refused(t, []byte(tt.data))
			if len(ps) != 1 || ps[0].Line != tt.line || ps[0].Column == 0 || !strings.Contains(ps[0].Say, tt.want) {
				t.Errorf("got %v, want line %d and %q", ps, tt.line, tt.want)
			}
		})
	}
}

func TestFileNames(t *testing.T) {
	for path, want := range map[string]string{
		"film.mp4": "", "films/day 1/film.mov": "", "фильм.mp4": "", "a..b.mp4": "", "film:1.mp4": "",
		"/etc/passwd": "absolute", "C:film.mp4": "absolute", "../film.mp4": "leads out", "a/../../b": "leads out", "..": "leads out",
		".film.mp4": "hidden", "a/.b/c.mp4": "hidden", "a//b": "plain path", "./a": "plain path", "a/": "plain path",
		`a\b.mp4`: "backslash", `..\b.mp4`: "backslash", "a\x00b": "control", "a\nb": "control", "a\u202emp4.exe": "control",
		"": "missing", strings.Repeat("a", 256): "255", strings.Repeat("a/", 600) + "b": "1000",
	} {
		t.Run(clip(path), func(t *testing.T) {
			say := checkPath(path)
			if (say == "") != (want == "") || !strings.Contains(say, want) {
				t.Errorf("checkPath(%q) = %q, want %q in it", path, say, want)
			}
			if want == "" || strings.ContainsAny(path, "\x00") {
				return
			}
			for key, list := range map[string]string{"recordings": "file", "stills": "file"} {
				ps := refused(t, fmt.Appendf(nil, "title: a\n%s: [{%s: %q}]", key, list, path))
				if ps[0].Line != 2 || ps[0].Path != key+"[0].file" {
					t.Errorf("%s: %v", key, ps)
				}
			}
			ps := refused(t, fmt.Appendf(nil, "title: a\nrecordings: [{file: a.mp4, captions: [{file: %q}]}]", path))
			if ps[0].Line != 2 {
				t.Error(ps)
			}
		})
	}
}

// Bombs must be refused before they cost anything: the test would not end
// otherwise.
func TestBombs(t *testing.T) {
	deep := &strings.Builder{}
	for i := range 1000 {
		fmt.Fprintf(deep, "%sa:\n", strings.Repeat(" ", i))
	}
	aliases := &strings.Builder{}
	aliases.WriteString("title: a\na0: &a0 [x, x, x, x, x, x, x, x, x]\n")
	for i := range 30 {
		fmt.Fprintf(aliases, "a%d: &a%d [%s]\n", i+1, i+1, strings.TrimSuffix(strings.Repeat(fmt.Sprintf("*a%d, ", i), 9), ", "))
	}
	for name, tt := range map[string]struct{ data, want string }{
		"50 MB":             {"title: " + strings.Repeat("a", 50<<20), "2 MB at most"},
		"100,000 brackets":  {"title: " + strings.Repeat("[", 100_000), "brackets are open"},
		"100,000 braces":    {"title: " + strings.Repeat("{a: ", 100_000), "brackets are open"},
		"100,000 dashes":    {"title:\n  " + strings.Repeat("- ", 100_000) + "a", "indented"},
		"100,000 questions": {"title:\n  " + strings.Repeat("? ", 100_000) + "a", "indented"},
		"deep indentation":  {deep.String(), "indented"},
		"a million entries": {"title: a\nplan: [" + strings.Repeat("a,", 1_000_000) + "a]", "entries"},
		"a million lines":   {"title: a\nplan:\n" + strings.Repeat("-\n", 1_000_000), "entries"},
		"aliases":           {aliases.String(), "written elsewhere"},
		"nested in itself":  {"title: &a [*a]", "gives this a name"},
	} {
		t.Run(name, func(t *testing.T) {
			ps := refused(t, []byte(tt.data))
			if len(ps) > MaxProblems {
				t.Errorf("%d problems", len(ps))
			}
			for _, p := range ps {
				if strings.Contains(p.Say, tt.want) {
					return
				}
			}
			t.Errorf("%v says nothing of %q", ps, tt.want)
		})
	}
}

func TestManyMistakesAreCutShort(t *testing.T) {
	_, err := Parse(Name, []byte("title: a\nnotes:\n"+strings.Repeat("  - {kind: remark, at: x, words: a}\n", 120)), vocabulary(t))
	f, ok := errors.AsType[*annotate.Fault](err)
	if !ok || len(f.Problems) != MaxProblems || f.Say != "There are 120 mistakes in case.yaml; these are the first 50." {
		t.Errorf("got %v", err)
	}
	if f.Problems[0].Line != 3 || f.Problems[49].Line != 52 {
		t.Error("the first are not the first")
	}
}
