package web

import (
	"strings"
	"testing"

	"sideport/annotate"
)

func TestRibbon(t *testing.T) {
	film := annotate.Span{To: mmss("10:00")}
	tests := []struct {
		name   string
		stages []Stage
		want   string // X+Width of stages, - and the length of gaps
	}{
		{"nothing", nil, ""},
		{"gaps at both ends and between", []Stage{stage("", "A", "01:00", "02:00"), stage("", "B", "04:00", "05:00")}, "-01:00 10.000%+10.000% -02:00 40.000%+10.000% -05:00"},
		{"out of order", []Stage{stage("", "B", "05:00", "10:00"), stage("", "A", "00:00", "05:00")}, "0.000%+50.000% 50.000%+50.000%"},
		{"a gap too short to name", []Stage{stage("", "A", "00:00", "05:00"), stage("", "B", "05:04", "10:00")}, "0.000%+50.000% 50.667%+49.333%"},
		{"longer than the film", []Stage{stage("", "A", "00:00", "20:00")}, "0.000%+100.000%"},
		{"one within another", []Stage{stage("", "A", "00:00", "09:00"), stage("", "B", "01:00", "02:00")}, "0.000%+90.000% 10.000%+10.000% -01:00"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			var got []string
			for _, p := range ribbonOf(tt.stages, film).Parts {
				if p.Gap {
					got = append(got, "-"+p.Len().Clock())
				} else {
					got = append(got, p.X+"+"+p.Width)
				}
			}
			if s := strings.Join(got, " "); s != tt.want {
				t.Errorf("got  %s\nwant %s", s, tt.want)
			}
		})
	}
}

func TestRibbonStandsOnTheCaseClock(t *testing.T) {
	p := RecordPage{Film: Film{Recording: "r2", Offset: mmss("10:00"), Length: mmss("10:00")}, Stages: []Stage{stage("st.cortex", "Cortex removal", "15:00", "20:00")}}
	parts := p.Ribbon().Parts
	if len(parts) != 2 || parts[1].X != "50.000%" || parts[1].Width != "50.000%" || parts[1].Family.ID != "cortex" || !parts[1].Named {
		t.Errorf("a stage of the second half stands at %+v", parts)
	}
}

func TestFamiliesAreKnown(t *testing.T) {
	for concept, id := range familyOf {
		if f := stageFamily(concept); f.ID != id {
			t.Errorf("%s belongs to %q, which is not a family", concept, id)
		}
	}
	if f := stageFamily("st.not-known"); f.ID != "other" {
		t.Errorf("an unknown stage is %q, want other", f.ID)
	}
}

func TestAddresses(t *testing.T) {
	one := RecordPage{ID: "case-11", At: mmss("07:24.5"), Film: Film{Recording: "r1"}, Recordings: []RecordingTab{{ID: "r1"}}}
	two := one
	two.Recordings = append(two.Recordings, RecordingTab{ID: "r2"})
	two.Film.Recording, two.Film.Offset = "r2", mmss("07:00")
	shown := one
	shown.Film.Shown = true
	at := mmss("07:24")
	tests := []struct{ name, got, want string }{
		{"a moment", CaseRow{ID: "case-11"}.URL("", at), "/cases/case-11?t=444"},
		{"a moment of another recording", CaseRow{ID: "case-11"}.URL("r2", at), "/cases/case-11?t=444&rec=r2"},
		{"one recording", one.URL("r1", at), "/cases/case-11?t=444"},
		{"the first of two", two.URL("", at), "/cases/case-11?t=444&rec=r1"},
		{"the second of two", two.URL("r2", at), "/cases/case-11?t=444&rec=r2"},
		{"uncovered", shown.URL("r1", at), "/cases/case-11?t=444&shown=1"},
		{"to uncover", one.ShownURL(), "/cases/case-11?t=444.5&shown=1"},
		{"a new note", one.NewNote(), "/cases/case-11/notes/new?rec=r1&t=444.5"},
		{"film at the second", one.FilmURL("film") + one.FilmStart(), "/cases/case-11/recordings/r1/film#t=444.5"},
		{"film with an offset", two.FilmStart(), "#t=24.5"},
		{"captions", one.CaptionsURL("en-GB"), "/cases/case-11/recordings/r1/captions/en-GB.vtt"},
		{"export", one.ExportURL(Export{Format: "chapters", Audience: "own unit"}), "/cases/case-11/export/chapters?audience=own+unit"},
		{"an id that needs care", CaseRow{ID: "a/b?c"}.URL("", at), "/cases/a%2Fb%3Fc?t=444"},
	}
	for _, tt := range tests {
		if tt.got != tt.want {
			t.Errorf("%s: got %s, want %s", tt.name, tt.got, tt.want)
		}
	}
}

func TestChangeText(t *testing.T) {
	for f, want := range map[float64]string{-0.25: "−25 %", -100.0 / 600: "−16.7 %", 0.2: "+20 %", 0: "0 %", -0.0001: "0 %", 1.5: "+150 %"} {
		if got := changeText(f); got != want {
			t.Errorf("%v: got %q, want %q", f, got, want)
		}
	}
}

func TestStatic(t *testing.T) {
	for _, name := range []string{"app.css", "app.js", "icon.svg"} {
		hashed, ok := strings.CutPrefix(StaticPath(name), "/static/")
		f, found := Static(hashed)
		if !ok || !found || len(f.Body) == 0 || f.Type == "" {
			t.Errorf("%s is not served at %q", name, StaticPath(name))
		}
	}
	if _, ok := Static("app.css"); ok {
		t.Error("a file is served without its hash")
	}
	if p := StaticPath("none.css"); p != "" {
		t.Errorf("an unknown file has the address %q", p)
	}
}
