package auth

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"sideport/annotate/consent"
)

func TestTheAuditHoldsWhatWasDone(t *testing.T) {
	f := open(t)
	first, err := f.FirstSteward(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	a := f.account("Theatre 2", consent.Trainee)
	token := f.signedIn(a)
	if err := f.SetRole(t.Context(), steward, a.ID, consent.Curator); err != nil {
		t.Fatal(err)
	}
	me := consent.Viewer{Account: a.ID, Role: consent.Curator}
	if err := f.Note(t.Context(), me, "export chapters for own unit", "case-1"); err != nil {
		t.Fatal(err)
	}
	if err := f.SetPassword(t.Context(), me, a.ID, "a long enough one"); err != nil {
		t.Fatal(err)
	}
	if err := f.SignOut(t.Context(), token); err != nil {
		t.Fatal(err)
	}
	if err := f.Disable(t.Context(), steward, a.ID); err != nil {
		t.Fatal(err)
	}
	want := []Entry{ // the newest first
		{Account: "s1", Action: "account disabled", Subject: a.ID},
		{Account: a.ID, Action: "signed out", Subject: a.ID},
		{Account: a.ID, Action: "password set", Subject: a.ID},
		{Account: a.ID, Action: "export chapters for own unit", Subject: "case-1"},
		{Account: "s1", Action: "role set to curator", Subject: a.ID},
		{Account: a.ID, Action: "signed in by link", Subject: a.ID},
		{Account: "s1", Action: "account added as trainee", Subject: a.ID},
		{Account: Local, Action: "account added as steward", Subject: first.ID},
	}
	var got []Entry
	after := ""
	for { // in pages of three
		page, err := f.Audit(t.Context(), after, 3)
		if err != nil {
			t.Fatal(err)
		}
		if len(page) == 0 {
			break
		}
		got = append(got, page...)
		after = page[len(page)-1].Key
	}
	if len(got) != len(want) {
		t.Fatalf("got %d entries, want %d: %+v", len(got), len(want), got)
	}
	for i, w := range want {
		w.Key, w.At = got[i].Key, f.clock
		if got[i] != w {
			t.Errorf("entry %d: got %+v, want %+v", i, got[i], w)
		}
	}
}

func TestTheAuditOnlyGrows(t *testing.T) {
	f := open(t)
	for i := range 10 {
		// Each time a new start, at the same instant or with the clock set back.
		f.clock = f.clock.Add(-time.Duration(i%2) * time.Hour)
		d := New(f.shelf, Options{Now: func() time.Time { return f.clock }})
		for j := range 10 {
			if err := d.Note(t.Context(), steward, "export", fmt.Sprintf("case-%d-%d", i, j)); err != nil {
				t.Fatal(err)
			}
		}
	}
	all, err := f.Audit(t.Context(), "", 1000)
	if err != nil {
		t.Fatal(err)
	}
	seen := map[string]bool{}
	for _, e := range all {
		seen[e.Subject] = true
	}
	if len(seen) != 100 {
		t.Errorf("%d entries of 100 are left", len(seen))
	}
}

func TestTheAuditTakesIdsOnly(t *testing.T) {
	f := open(t)
	for _, c := range []struct {
		name, account, action, subject string
		fits                           bool
	}{
		{"ids", "s1", "export folder", "c-17.b", true},
		{"no subject", "s1", "backup", "", true},
		{"the public", "", "share link opened", "r5", true},
		{"a name", "s1", "export", "Marked Person", false},
		{"text as action", "s1", "Exported it!", "c1", false},
		{"a line break", "s1", "export\nfake", "c1", false},
		{"text as account", "Marked Person", "export", "c1", false},
		{"long subject", "s1", "export", strings.Repeat("x", 129), false},
		{"no action", "s1", "", "c1", false},
	} {
		t.Run(c.name, func(t *testing.T) {
			err := f.Note(t.Context(), consent.Viewer{Account: c.account, Role: consent.Steward}, c.action, c.subject)
			if (err == nil) != c.fits {
				t.Errorf("got %v, fits: %v", err, c.fits)
			}
			if err != nil && strings.Contains(err.Error(), "Marked") {
				t.Errorf("the error repeats it: %v", err)
			}
		})
	}
}
