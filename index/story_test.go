package index

import (
	"bufio"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"

	"sideport/annotate"
	"sideport/annotate/terms"
)

// Every folder in testdata/searches is a story: cases.txt describes an invented
// library, searches.txt says what people type and what they should find. How
// they are written is in testdata/searches/README.md.
func TestStories(t *testing.T) {
	folders, err := filepath.Glob("testdata/searches/*/searches.txt")
	if err != nil || len(folders) == 0 {
		t.Fatalf("no stories: %v", err)
	}
	for _, f := range folders {
		dir := filepath.Dir(f)
		t.Run(filepath.Base(dir), func(t *testing.T) {
			x, _ := open(t, filepath.Join(t.TempDir(), "index"))
			defer x.Close()
			if err := x.Apply(t.Context(), 1, readCases(t, filepath.Join(dir, "cases.txt"), x.v), nil); err != nil {
				t.Fatal(err)
			}
			for _, s := range readSearches(t, f) {
				t.Run(s.name(), func(t *testing.T) { s.hold(t, x) })
			}
		})
	}
}

// lines calls yield with each line that says something, as key and value.
func lines(t testing.TB, file string, yield func(at, key, value string)) {
	t.Helper()
	f, err := os.Open(file)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	in := bufio.NewScanner(f)
	for n := 1; in.Scan(); n++ {
		line := strings.TrimSpace(in.Text())
		if line == "" || line[0] == '#' {
			continue
		}
		at := fmt.Sprintf("%s:%d", file, n)
		if c := line[0]; c >= '0' && c <= '9' {
			time, rest, _ := strings.Cut(line, " ")
			yield(at, time, rest)
			continue
		}
		key, value, _ := strings.Cut(line, ":")
		yield(at, strings.TrimSpace(key), strings.TrimSpace(value))
	}
	if err := in.Err(); err != nil {
		t.Fatal(err)
	}
}

func readCases(t testing.TB, file string, v *terms.Vocabulary) []annotate.Case {
	t.Helper()
	var out []annotate.Case
	lines(t, file, func(at, key, value string) {
		if key == "case" {
			out = append(out, annotate.Case{ID: value, Rev: uint64(len(out) + 1), Title: value, Status: annotate.Published,
				Consent:    annotate.Consent{Audience: annotate.Public, Obtained: "2026-01-01"},
				Recordings: []annotate.Recording{{ID: "r1", Film: annotate.Film{Duration: annotate.Hour}, Captions: []annotate.Track{{Language: "en"}}}}})
			return
		}
		if len(out) == 0 {
			t.Fatalf("%s: a line before the first case", at)
		}
		if err := describe(&out[len(out)-1], key, value, v); err != nil {
			t.Fatalf("%s: %v", at, err)
		}
	})
	for i := range out {
		out[i].SortNotes()
		if bad := annotate.Errors(out[i].Check()); len(bad) > 0 {
			t.Fatalf("%s: case %s: %v", file, out[i].ID, bad)
		}
	}
	return out
}

// describe adds one line to a case.
func describe(c *annotate.Case, key, value string, v *terms.Vocabulary) (err error) {
	head, tail, _ := strings.Cut(value, ": ")
	switch key {
	case "title":
		c.Title = value
	case "summary":
		c.Summary = value
	case "procedure":
		c.Procedure = term(v, value, "procedure")
	case "surgeon":
		c.Surgeon = value
	case "eye":
		c.Eye = value
	case "status":
		c.Status = annotate.Status(value)
	case "audience":
		err = c.Consent.Audience.UnmarshalText([]byte(value))
	case "withdrawn":
		c.Consent.Withdrawn = value
	case "factor":
		c.Factors = append(c.Factors, annotate.Factor{Term: term(v, head, "factor"), Grade: tail})
	case "plan":
		c.Plan = append(c.Plan, annotate.Plan{Challenge: term(v, head, "factor", "complication"), Strategy: tail})
	case "stand by":
		p := &c.Plan[len(c.Plan)-1]
		p.StandBy = append(p.StandBy, term(v, value, "device", "instrument"))
	case "hindsight":
		c.Hindsight = value
	case "outcome":
		c.Outcome = append(c.Outcome, annotate.Outcome{When: head, Words: tail})
	default:
		err = timed(c, key, value, v)
	}
	return err
}

// timed adds "03:50 technique horizontal chop: words", or a caption.
func timed(c *annotate.Case, key, value string, v *terms.Vocabulary) error {
	at, err := annotate.ParseTime(key)
	if err != nil {
		return fmt.Errorf("%q is not a line of a case", key)
	}
	if said, ok := strings.CutPrefix(value, "said "); ok {
		cues := &c.Recordings[0].Captions[0].Cues
		*cues = append(*cues, annotate.Cue{Span: annotate.Span{From: at, To: at + 4*annotate.Second}, Text: said})
		return nil
	}
	n := annotate.Note{ID: "n" + strconv.Itoa(len(c.Notes)+1), Recording: "r1", Span: annotate.At(at), State: annotate.Inked, Fields: map[string]annotate.Fact{}}
	if rest, ok := strings.CutPrefix(value, "pencilled "); ok {
		n.State, value = annotate.Pencilled, rest
	}
	for _, k := range annotate.Kinds() {
		rest, ok := strings.CutPrefix(value, k.Name)
		if !ok {
			continue
		}
		n.Kind = k.ID
		if k.Timing == annotate.Spans {
			n.Span.To = at + annotate.Second
		}
		named, words, _ := strings.Cut(strings.TrimSpace(rest), ": ")
		switch {
		case k.Needs == annotate.WordsNeeded:
			n.Words = strings.TrimPrefix(strings.TrimSpace(rest), ": ")
		case k.ID == "decision":
			n.Fields["to"] = annotate.Fact{Text: named}
			n.Fields["because"] = annotate.Fact{Text: words}
		case k.ID == "setting":
			p, _ := annotate.ParameterOf(term(v, named, "setting").Concept)
			q, _, err := annotate.ParseQuantity(p, words)
			if err != nil {
				return err
			}
			n.Fields["values"] = annotate.Fact{Quantities: []annotate.Quantity{q}}
		default:
			n.Term, n.Words = term(v, named, k.TermKinds...), words
		}
		c.Notes = append(c.Notes, n)
		return nil
	}
	return fmt.Errorf("%q does not begin with a kind of note", value)
}

func term(v *terms.Vocabulary, words string, kinds ...string) annotate.Term {
	id, _ := v.Resolve(words, kinds...)
	return annotate.Term{Concept: id, Words: words}
}

// searched is one search of a story with what is expected of it.
type searched struct {
	q      Query
	prefix string // of a suggestion, instead of a search
	checks []check
}

type check struct{ at, key, value string }

func (s searched) name() string {
	if s.prefix != "" {
		return "suggest " + s.prefix
	}
	n := s.q.Words
	for id, values := range s.q.Filters {
		n += " " + id + "=" + strings.Join(values, "+")
	}
	return n
}

func readSearches(t testing.TB, file string) []searched {
	t.Helper()
	var out []searched
	lines(t, file, func(at, key, value string) {
		switch key {
		case "search":
			out = append(out, searched{q: Query{Words: value, Limit: 20, Filters: map[string][]string{}, Scope: Scope{Audience: annotate.Public}}})
			return
		case "suggest":
			out = append(out, searched{prefix: value, q: Query{Scope: Scope{Audience: annotate.Public}}})
			return
		}
		if len(out) == 0 {
			t.Fatalf("%s: a line before the first search", at)
		}
		s := &out[len(out)-1]
		switch key {
		case "as":
			s.q.Scope = Scope{All: value == "curator"}
			if value != "curator" {
				if err := s.q.Scope.Audience.UnmarshalText([]byte(value)); err != nil {
					t.Fatalf("%s: %v", at, err)
				}
			}
		case "filter":
			id, v, _ := strings.Cut(value, "=")
			s.q.Filters[id] = append(s.q.Filters[id], v)
		case "off":
			s.q.Off = append(s.q.Off, value)
		case "sort":
			s.q.Sort = value
		case "why":
		default:
			s.checks = append(s.checks, check{at, key, value})
		}
	})
	return out
}

// hold runs a search and holds its answer against what is expected.
func (s searched) hold(t *testing.T, x *Index) {
	if s.prefix != "" {
		s.holdSuggestions(t, x)
		return
	}
	r, err := x.Search(t.Context(), s.q)
	if err != nil {
		t.Fatal(err)
	}
	var ids []string
	for _, h := range r.Hits {
		ids = append(ids, h.Case)
	}
	got := strings.Join(ids, " ")
	for _, c := range s.checks {
		ok, have := true, got
		switch c.key {
		case "want":
			ok = got == c.value || c.value == "nothing" && got == ""
		case "first":
			ok = strings.HasPrefix(got+" ", c.value+" ")
		case "among":
			ok = !slices.ContainsFunc(strings.Fields(c.value), func(id string) bool { return !slices.Contains(ids, id) })
		case "never":
			ok = !slices.ContainsFunc(strings.Fields(c.value), func(id string) bool { return slices.Contains(ids, id) })
		case "total":
			have = strconv.Itoa(r.Total)
			ok = have == c.value
		case "complete":
			have = strconv.Itoa(r.Complete)
			ok = have == c.value
		case "moment":
			have = moments(r)
			ok = slices.Contains(strings.Split(have, "\n"), c.value)
		case "opens":
			have = moments(r)
			ok = strings.HasPrefix(have, c.value+"\n")
		case "read":
			have = readings(r)
			ok = slices.Contains(strings.Split(have, "; "), c.value) || c.value == "nothing" && have == ""
		case "facet":
			have = counts(r)
			ok = slices.Contains(strings.Split(have, "; "), c.value)
		case "no facet":
			have = counts(r)
			ok = !strings.Contains(have, c.value)
		default:
			t.Fatalf("%s: %q is not an expectation", c.at, c.key)
		}
		if !ok {
			t.Errorf("%s: %s: got %s\nwant %s", c.at, c.key, have, c.value)
		}
	}
}

func (s searched) holdSuggestions(t *testing.T, x *Index) {
	got, err := x.Suggest(t.Context(), s.prefix, s.q.Scope, 8)
	if err != nil {
		t.Fatal(err)
	}
	have := strings.Join(got, "; ")
	for _, c := range s.checks {
		switch {
		case c.key == "among" && slices.Contains(got, c.value):
		case c.key == "want" && (have == c.value || c.value == "nothing" && have == ""):
		case c.key == "never" && !strings.Contains(have, c.value):
		default:
			t.Errorf("%s: %s: got %s\nwant %s", c.at, c.key, have, c.value)
		}
	}
}

// moments writes the moments of each hit: "case 03:50 technique Horizontal [chop]".
func moments(r Results) string {
	var b strings.Builder
	for _, h := range r.Hits {
		for _, m := range h.Moments {
			fmt.Fprintf(&b, "%s %s %s ", h.Case, m.At, m.Kind)
			for _, p := range m.Text {
				if p.Hit {
					b.WriteString("[" + p.Text + "]")
				} else {
					b.WriteString(p.Text)
				}
			}
			b.WriteByte('\n')
		}
	}
	return b.String()
}

func readings(r Results) string {
	var out []string
	for _, u := range r.Understood {
		s := u.Words + " = " + u.Label
		if u.Off {
			s += " (off)"
		}
		out = append(out, s)
	}
	return strings.Join(out, "; ")
}

func counts(r Results) string {
	var out []string
	for _, f := range r.Facets {
		for _, v := range f.Values {
			s := fmt.Sprintf("%s %s %d", f.ID, v.Label, v.Count)
			if v.On {
				s += " on"
			}
			out = append(out, s)
		}
	}
	return strings.Join(out, "; ")
}
