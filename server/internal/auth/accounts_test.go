package auth

import (
	"slices"
	"strings"
	"testing"
	"time"

	"sideport/annotate"
	"sideport/annotate/consent"
)

func TestWhoMayChangeAccounts(t *testing.T) {
	for _, c := range []struct {
		by  consent.Viewer
		may bool
	}{
		{consent.Viewer{}, false},
		{consent.Viewer{Account: "x", Role: "owner"}, false},
		{consent.Viewer{Account: "x", Role: consent.Trainee}, false},
		{consent.Viewer{Account: "x", Role: consent.Presenter}, false},
		{consent.Viewer{Account: "x", Role: consent.Curator}, false},
		{consent.Viewer{Account: "x", Role: consent.Steward}, true},
		{machine(), true},
	} {
		t.Run("role "+string(c.by.Role), func(t *testing.T) {
			f := open(t)
			a := f.account("Theatre 2", consent.Trainee)
			_, err := f.AddAccount(t.Context(), c.by, "Theatre 3", consent.Trainee)
			for what, err := range map[string]error{
				"add":      err,
				"role":     f.SetRole(t.Context(), c.by, a.ID, consent.Curator),
				"disable":  f.Disable(t.Context(), c.by, a.ID),
				"enable":   f.Enable(t.Context(), c.by, a.ID),
				"password": f.SetPassword(t.Context(), c.by, a.ID, "a long enough one"),
			} {
				if c.may && err != nil {
					t.Errorf("%s: %v", what, err)
				}
				if !c.may {
					wants(t, what, err, annotate.Refused, "Only a steward")
				}
			}
		})
	}
}

func TestARoleHoldsFromTheNextRequestOn(t *testing.T) {
	f := open(t)
	a := f.account("Theatre 2", consent.Trainee)
	token := f.signedIn(a)
	for _, r := range []consent.Role{consent.Presenter, consent.Curator, consent.Steward, consent.Trainee} {
		t.Run(string(r), func(t *testing.T) {
			if r == consent.Trainee {
				f.account("Theatre 3", consent.Steward) // somebody has to stay
			}
			if err := f.SetRole(t.Context(), steward, a.ID, r); err != nil {
				t.Fatal(err)
			}
			if v, acc, err := f.Session(t.Context(), token); err != nil || v.Role != r || acc.Role != r {
				t.Errorf("got %+v %+v, %v", v, acc, err)
			}
		})
	}
}

func TestDisablingEndsSessions(t *testing.T) {
	f := open(t)
	a, b := f.account("Theatre 2", consent.Curator), f.account("Theatre 3", consent.Curator)
	if err := f.SetPassword(t.Context(), steward, a.ID, "a long enough one"); err != nil {
		t.Fatal(err)
	}
	mine, theirs := f.signedIn(a), f.signedIn(b)
	if err := f.Disable(t.Context(), steward, a.ID); err != nil {
		t.Fatal(err)
	}
	_, _, err := f.Session(t.Context(), mine)
	wants(t, "its session", err, annotate.Refused, "not signed in")
	_, err = f.Link(t.Context(), a.ID)
	wants(t, "a link for it", err, annotate.Refused, "disabled")
	_, _, err = f.CheckPassword(t.Context(), "Theatre 2", "a long enough one")
	wants(t, "its password", err, annotate.Refused, "do not belong together")
	if _, _, err := f.Session(t.Context(), theirs); err != nil {
		t.Errorf("somebody else's session: %v", err)
	}
	if err := f.Enable(t.Context(), steward, a.ID); err != nil {
		t.Fatal(err)
	}
	_, _, err = f.Session(t.Context(), mine)
	wants(t, "its session, enabled again", err, annotate.Refused, "not signed in")
	f.signedIn(a)
}

func TestAStewardStays(t *testing.T) {
	f := open(t)
	first, err := f.FirstSteward(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	wants(t, "disable the only one", f.Disable(t.Context(), steward, first.ID), annotate.Conflict, "only steward")
	wants(t, "lower the only one", f.SetRole(t.Context(), steward, first.ID, consent.Curator), annotate.Conflict, "only steward")
	second := f.account("Theatre 2", consent.Steward)
	if err := f.Disable(t.Context(), steward, first.ID); err != nil {
		t.Fatal(err)
	}
	wants(t, "lower the one left", f.SetRole(t.Context(), steward, second.ID, consent.Trainee), annotate.Conflict, "only steward")
}

func TestAccountsThatAreNotMade(t *testing.T) {
	f := open(t)
	f.account("Theatre 2", consent.Trainee)
	for _, c := range []struct {
		name, called string
		role         consent.Role
		cause        annotate.Cause
		say          string
	}{
		{"no name", " \t", consent.Trainee, annotate.Invalid, "1 to 80 letters"},
		{"long name", strings.Repeat("é", 81), consent.Trainee, annotate.Invalid, "1 to 80 letters"},
		{"unseen characters", "Theatre\u202e 2", consent.Trainee, annotate.Invalid, "1 to 80 letters"},
		{"not UTF-8", "Theatre \xff", consent.Trainee, annotate.Invalid, "1 to 80 letters"},
		{"taken, in capitals", "  THEATRE  2 ", consent.Trainee, annotate.Conflict, "already an account"},
		{"no role", "Theatre 3", "", annotate.Invalid, "is not a role"},
		{"unknown role", "Theatre 3", "owner", annotate.Invalid, "is not a role"},
	} {
		t.Run(c.name, func(t *testing.T) {
			_, err := f.AddAccount(t.Context(), steward, c.called, c.role)
			wants(t, c.called, err, c.cause, c.say)
		})
	}
	wants(t, "no such account", f.SetRole(t.Context(), steward, "nobody", consent.Trainee), annotate.Missing, "no such account")
	_, err := f.Link(t.Context(), "nobody")
	wants(t, "link for no such account", err, annotate.Missing, "no such account")
	if all, err := f.Accounts(t.Context()); err != nil || len(all) != 1 {
		t.Errorf("accounts: %v, %v", all, err)
	}
}

func TestAccountsComeOldestFirst(t *testing.T) {
	f := open(t)
	var want []string
	for _, n := range []string{"C", "A", "B"} {
		want = append(want, f.account(n, consent.Trainee).ID)
		f.clock = f.clock.Add(time.Second)
	}
	all, err := f.Accounts(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	var got []string
	for _, a := range all {
		got = append(got, a.ID)
	}
	if !slices.Equal(got, want) {
		t.Errorf("got %v, want %v", got, want)
	}
}

func TestPasswords(t *testing.T) {
	f := open(t)
	a := f.account("Theatre 2", consent.Curator)
	self := consent.Viewer{Account: a.ID, Role: a.Role}
	wants(t, "too short", f.SetPassword(t.Context(), self, a.ID, "elevenchars"), annotate.Invalid, "12 to 256")
	wants(t, "too long", f.SetPassword(t.Context(), self, a.ID, strings.Repeat("x", 257)), annotate.Invalid, "12 to 256")
	if err := f.SetPassword(t.Context(), self, a.ID, "a long enough one"); err != nil {
		t.Fatal(err)
	}
	token, acc, err := f.CheckPassword(t.Context(), " theatre  2", "a long enough one")
	if err != nil || acc.ID != a.ID {
		t.Fatalf("got %+v, %v", acc, err)
	}
	if v, _, err := f.Session(t.Context(), token); err != nil || v.Account != a.ID {
		t.Errorf("its session: %+v, %v", v, err)
	}
	f.account("Theatre 3", consent.Curator)
	var said []string
	for _, name := range []string{"Theatre 2", "Theatre 3", "Nobody"} {
		_, _, err := f.CheckPassword(t.Context(), name, "another long one")
		wants(t, name, err, annotate.Refused, "do not belong together")
		said = append(said, err.Error())
	}
	if said[0] != said[1] || said[1] != said[2] {
		t.Errorf("the answer tells whose name exists: %q", said)
	}
}

func TestGuessingPasswordsGetsSlower(t *testing.T) {
	f := open(t)
	a := f.account("Theatre 2", consent.Curator)
	const right = "a long enough one"
	if err := f.SetPassword(t.Context(), steward, a.ID, right); err != nil {
		t.Fatal(err)
	}
	wrong := func() error { _, _, err := f.CheckPassword(t.Context(), "Theatre 2", "another long one"); return err }
	for range 5 {
		wants(t, "free try", wrong(), annotate.Refused, "do not belong")
	}
	wants(t, "the sixth", wrong(), annotate.Busy, "Wait 1 seconds")
	f.clock = f.clock.Add(time.Second)
	wants(t, "a second later", wrong(), annotate.Refused, "do not belong")
	_, _, err := f.CheckPassword(t.Context(), "Theatre 2", right)
	wants(t, "the right one too soon", err, annotate.Busy, "Wait 2 seconds")
	f.clock = f.clock.Add(2 * time.Second)
	if _, _, err := f.CheckPassword(t.Context(), "Theatre 2", right); err != nil {
		t.Fatalf("the right one in time: %v", err)
	}
	for range 5 {
		wants(t, "free again", wrong(), annotate.Refused, "do not belong")
	}
}

func TestTheGateForgetsTheOldestName(t *testing.T) {
	f := open(t)
	for i := range gateNames + 10 {
		f.clock = f.clock.Add(time.Millisecond)
		f.gate.try(strings.Repeat("x", i))
	}
	if n := len(f.gate.tries); n != gateNames {
		t.Errorf("%d names remembered, want %d", n, gateNames)
	}
	if _, known := f.gate.tries[""]; known {
		t.Error("the oldest is still there")
	}
	f.gate.try("again")
	if w := f.gate.tries["again"]; w.n != 1 {
		t.Errorf("a new name starts at %d", w.n)
	}
	f.gate.tries["again"] = try{n: 60, until: f.clock}
	f.gate.try("again")
	if w := f.gate.try("again"); w != longWait {
		t.Errorf("after 60 tries the wait is %v, want %v", w, longWait)
	}
	f.clock = f.clock.Add(3 * longWait)
	if f.gate.try("again"); f.gate.tries["again"].n != 1 {
		t.Error("tries are never forgiven")
	}
}
