package consent

import (
	"fmt"
	"slices"
	"strings"
	"testing"

	"sideport/annotate"
)

var (
	allRoles     = []Role{"", "stranger", Trainee, Presenter, Curator, Steward}
	allStatuses  = []annotate.Status{"", annotate.Draft, annotate.InReview, annotate.Published}
	allAudiences = []annotate.Audience{annotate.Nobody, annotate.OwnUnit, annotate.Professionals, annotate.Public}
)

func caseOf(s annotate.Status, a annotate.Audience, withdrawn bool) annotate.Case {
	c := annotate.Case{ID: "c1", Status: s, Consent: annotate.Consent{Audience: a, Obtained: "2026-03-01", Reference: "register 12"},
		Recordings: []annotate.Recording{{ID: "r1", Hash: "film"}}, Stills: []annotate.Still{{ID: "s1", Hash: "still"}},
		Notes: []annotate.Note{{ID: "n1", State: annotate.Inked}, {ID: "n2", State: annotate.Pencilled}}}
	if withdrawn {
		c.Consent.Withdrawn = "2026-05-01"
	}
	return c
}

// who may see a published case, by its audience; a row for each role.
var published = map[Role]string{ // nobody, own unit, professionals, public
	"":         "...x",
	"stranger": "...x",
	Trainee:    ".xxx",
	Presenter:  ".xxx",
	Curator:    "xxxx",
	Steward:    "xxxx",
}

func TestView(t *testing.T) {
	for _, role := range allRoles {
		for _, status := range allStatuses {
			for i, audience := range allAudiences {
				for _, withdrawn := range []bool{false, true} {
					writes := role == Curator || role == Steward
					want := published[role][i] == 'x' && (status == annotate.Published || writes) && !withdrawn
					name := fmt.Sprintf("%s/%s/%s/%v", role, status, audience, withdrawn)
					t.Run(name, func(t *testing.T) { view(t, caseOf(status, audience, withdrawn), Viewer{Role: role}, want, writes) })
				}
			}
		}
	}
}

func view(t *testing.T, c annotate.Case, v Viewer, want, writes bool) {
	t.Helper()
	r, err := View(c, v)
	if got := err == nil; got != want || v.Sees(c) != want {
		t.Fatalf("seen %v, Sees %v, want %v: %v", got, v.Sees(c), want, err)
	}
	if !want {
		empty(t, r, err)
		return
	}
	held(t, r, c, writes)
	if r.Audience() != v.Audience() {
		t.Errorf("audience %v, want %v", r.Audience(), v.Audience())
	}
}

// empty holds a refused release: nothing in it, and nothing told that a case
// which is not there would not tell.
func empty(t *testing.T, r Release, err error) {
	t.Helper()
	if r.Covers("film") || r.Covers("still") || r.Covers("") || r.Audience() != annotate.Nobody || r.Case().ID != "" {
		t.Errorf("refused, but released: %+v", r)
	}
	if annotate.CauseOf(err) == annotate.Missing && err.Error() != "There is no case c1 here." {
		t.Errorf("the refusal tells more: %v", err)
	}
}

// held holds what a release has and has not.
func held(t *testing.T, r Release, c annotate.Case, whole bool) {
	t.Helper()
	if !r.Covers("film") || !r.Covers("still") || r.Covers("other") || r.Covers("") {
		t.Error("the release does not cover just its own files")
	}
	if got := r.Case(); (got.Consent.Reference != "") != whole || (len(got.Notes) == 2) != whole || got.Notes[0].ID != "n1" {
		t.Errorf("reference %q and %d notes, want the whole: %v", got.Consent.Reference, len(got.Notes), whole)
	}
	if len(c.Notes) != 2 || c.Notes[1].ID != "n2" || c.Consent.Reference == "" {
		t.Error("releasing has changed the case itself")
	}
}

func TestExport(t *testing.T) {
	for _, role := range allRoles {
		for _, status := range allStatuses {
			for i, audience := range allAudiences {
				for _, withdrawn := range []bool{false, true} {
					for _, to := range append(slices.Clone(allAudiences), annotate.Public+1, -1) {
						writes := role == Curator || role == Steward
						sees := published[role][i] == 'x' && (status == annotate.Published || writes) && !withdrawn
						reaches := to >= annotate.OwnUnit && to <= audience
						name := fmt.Sprintf("%s/%s/%s/%v to %d", role, status, audience, withdrawn, int(to))
						t.Run(name, func(t *testing.T) {
							export(t, caseOf(status, audience, withdrawn), Viewer{Role: role}, to, sees, reaches)
						})
					}
				}
			}
		}
	}
}

func export(t *testing.T, c annotate.Case, v Viewer, to annotate.Audience, sees, reaches bool) {
	t.Helper()
	r, err := Export(c, v, to)
	switch {
	case !sees:
		if annotate.CauseOf(err) != annotate.Missing {
			t.Errorf("not seen, yet %v", err)
		}
		empty(t, r, err)
	case !reaches:
		if annotate.CauseOf(err) != annotate.Refused || !strings.Contains(err.Error(), "covers "+c.Consent.Audience.String()) {
			t.Errorf("beyond the consent, yet %v", err)
		}
		empty(t, r, err)
	default:
		if err != nil || r.Audience() != to {
			t.Fatalf("%v for %v, want %v", err, r.Audience(), to)
		}
		held(t, r, c, v.Role.AtLeast(Curator) && to == annotate.OwnUnit)
	}
}

func TestRoleAtLeast(t *testing.T) {
	for i, r := range roles {
		for j, least := range roles {
			if r.AtLeast(least) != (i >= j) {
				t.Errorf("%s at least %s = %v", r, least, r.AtLeast(least))
			}
		}
	}
	if Role("").AtLeast(Trainee) || Role("root").AtLeast(Trainee) || Role("").AtLeast("") {
		t.Error("an unknown role may do something")
	}
	if Steward.AtLeast("root") {
		t.Error("a steward may do what no role may")
	}
}

func TestZeroRelease(t *testing.T) {
	var r Release
	if r.Covers("film") || r.Covers("") || r.Audience() != annotate.Nobody {
		t.Error("an empty release covers something")
	}
}

// Dates other than the year stay inside the unit.
func TestExportBeyondTheUnitKeepsTheYearAlone(t *testing.T) {
	c := annotate.Case{ID: "c", Status: annotate.Published, Consent: annotate.Consent{Audience: annotate.Public, Obtained: "2026-03-01"}}
	for to, want := range map[annotate.Audience]string{annotate.OwnUnit: "2026-03-01", annotate.Professionals: "2026", annotate.Public: "2026"} {
		r, err := Export(c, Viewer{Role: Steward}, to)
		if err != nil {
			t.Fatal(err)
		}
		if got := r.Case().Consent.Obtained; got != want {
			t.Errorf("consent obtained, exported for %v: got %q, want %q", to, got, want)
		}
	}
}
