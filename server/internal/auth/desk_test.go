package auth

import (
	"bytes"
	"context"
	"errors"
	"log/slog"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"sideport/annotate"
	"sideport/annotate/consent"
)

// cupboard is a Shelf in memory, as strict as one on disk: a call from within
// Each or Swap hangs, and values die with the call.
type cupboard struct {
	mu   sync.Mutex
	all  map[string]map[string][]byte
	fail func(verb, shelf string) error // nil: all goes well
}

func (c *cupboard) open(ctx context.Context, verb, shelf string) (map[string][]byte, error) {
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	if c.fail != nil {
		if err := c.fail(verb, shelf); err != nil {
			return nil, err
		}
	}
	if c.all[shelf] == nil {
		c.all[shelf] = map[string][]byte{}
	}
	return c.all[shelf], nil
}

func (c *cupboard) Take(ctx context.Context, shelf, key string) ([]byte, bool, error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	m, err := c.open(ctx, "take", shelf)
	v, found := m[key]
	return bytes.Clone(v), found, err
}

func (c *cupboard) Forget(ctx context.Context, shelf, key string) error {
	c.mu.Lock()
	defer c.mu.Unlock()
	m, err := c.open(ctx, "forget", shelf)
	delete(m, key)
	return err
}

func (c *cupboard) Each(ctx context.Context, shelf string, fn func(string, []byte) error) error {
	c.mu.Lock()
	defer c.mu.Unlock()
	m, err := c.open(ctx, "each", shelf)
	if err != nil {
		return err
	}
	var keys []string
	for k := range m {
		keys = append(keys, k)
	}
	slices.Sort(keys)
	for _, k := range keys {
		v := bytes.Clone(m[k])
		err := fn(k, v)
		clear(v)
		if err != nil {
			return err
		}
	}
	return nil
}

func (c *cupboard) Swap(ctx context.Context, shelf, key string, fn func([]byte) ([]byte, error)) error {
	c.mu.Lock()
	defer c.mu.Unlock()
	m, err := c.open(ctx, "swap", shelf)
	if err != nil {
		return err
	}
	old := bytes.Clone(m[key])
	v, err := fn(old)
	if err != nil {
		return err
	}
	m[key] = bytes.Clone(v)
	clear(old)
	return nil
}

// foyer is a desk with a clock that is set by hand.
type foyer struct {
	*Desk
	t     *testing.T
	shelf *cupboard
	log   *bytes.Buffer
	clock time.Time
}

func open(t *testing.T) *foyer {
	f := &foyer{t: t, shelf: &cupboard{all: map[string]map[string][]byte{}}, log: &bytes.Buffer{}, clock: time.Date(2026, 3, 1, 8, 0, 0, 0, time.UTC)}
	f.Desk = New(f.shelf, Options{
		Now: func() time.Time { return f.clock },
		Log: slog.New(slog.NewTextHandler(f.log, &slog.HandlerOptions{Level: slog.LevelDebug})),
	})
	return f
}

var steward = consent.Viewer{Account: "s1", Role: consent.Steward}

func (f *foyer) account(name string, role consent.Role) Account {
	f.t.Helper()
	a, err := f.AddAccount(f.t.Context(), steward, name, role)
	if err != nil {
		f.t.Fatal(err)
	}
	return a
}

func (f *foyer) link(a Account) string {
	f.t.Helper()
	token, err := f.Link(f.t.Context(), a.ID)
	if err != nil {
		f.t.Fatal(err)
	}
	return token
}

func (f *foyer) signedIn(a Account) string {
	f.t.Helper()
	token, _, err := f.SignIn(f.t.Context(), f.link(a))
	if err != nil {
		f.t.Fatal(err)
	}
	return token
}

// wants holds an error against the cause and the words that it should have.
func wants(t *testing.T, what string, err error, cause annotate.Cause, say string) {
	t.Helper()
	if annotate.CauseOf(err) != cause || !strings.Contains(err.Error(), say) {
		t.Errorf("%s: got %v, want %s with %q", what, err, cause, say)
	}
}

func TestTheFirstStewardIsMadeOnce(t *testing.T) {
	f := open(t)
	a, err := f.FirstSteward(t.Context())
	if err != nil || a.Role != consent.Steward || a.Name != "Steward" {
		t.Fatalf("got %+v, %v", a, err)
	}
	if b, err := f.FirstSteward(t.Context()); err != nil || b.ID != a.ID {
		t.Errorf("the second time: got %+v, %v; want %s again", b, err, a.ID)
	}
	f.clock = f.clock.Add(time.Hour)
	f.account("Theatre 2", consent.Steward)
	if b, err := f.FirstSteward(t.Context()); err != nil || b.ID != a.ID {
		t.Errorf("with a younger one: got %+v, %v; want %s", b, err, a.ID)
	}
}

func TestALinkSignsInOnce(t *testing.T) {
	f := open(t)
	a := f.account("Theatre 2", consent.Curator)
	token := f.link(a)
	if len(token) != 43 {
		t.Errorf("token %q has not 256 bits", token)
	}
	for range 3 { // previews look and spoil nothing
		if err := f.Peek(t.Context(), token); err != nil {
			t.Fatal(err)
		}
	}
	session, acc, err := f.SignIn(t.Context(), token)
	if err != nil || acc.ID != a.ID {
		t.Fatalf("got %+v, %v", acc, err)
	}
	v, acc, err := f.Session(t.Context(), session)
	if err != nil || v != (consent.Viewer{Account: a.ID, Role: consent.Curator}) || acc.Name != "Theatre 2" {
		t.Errorf("session: got %+v %+v, %v", v, acc, err)
	}
	wants(t, "peek at the used link", f.Peek(t.Context(), token), annotate.Refused, "used already")
	_, _, err = f.SignIn(t.Context(), token)
	wants(t, "the link again", err, annotate.Refused, "used already")
}

func TestLinksThatSignNobodyIn(t *testing.T) {
	for _, c := range []struct {
		name  string
		make  func(f *foyer, a Account) string
		cause annotate.Cause
		say   string
	}{
		{"unknown", func(*foyer, Account) string { return strings.Repeat("A", 43) }, annotate.Missing, "not known"},
		{"empty", func(*foyer, Account) string { return "" }, annotate.Missing, "not known"},
		{"its own digest", func(f *foyer, a Account) string { return digest(f.link(a)) }, annotate.Missing, "not known"},
		{"a session's token", func(f *foyer, a Account) string { return f.signedIn(a) }, annotate.Missing, "not known"},
		{"run out to the second", func(f *foyer, a Account) string {
			s := f.link(a)
			f.clock = f.clock.Add(LinkLasts)
			return s
		}, annotate.Refused, "run out; it lasted 24 hours"},
		{"replaced", func(f *foyer, a Account) string {
			s := f.link(a)
			f.link(a)
			return s
		}, annotate.Missing, "a newer one"},
		{"disabled account", func(f *foyer, a Account) string {
			s := f.link(a)
			if err := f.Disable(f.t.Context(), steward, a.ID); err != nil {
				f.t.Fatal(err)
			}
			return s
		}, annotate.Missing, "not known"},
	} {
		t.Run(c.name, func(t *testing.T) {
			f := open(t)
			token := c.make(f, f.account("Theatre 2", consent.Trainee))
			wants(t, "peek", f.Peek(t.Context(), token), c.cause, c.say)
			session, _, err := f.SignIn(t.Context(), token)
			wants(t, "sign in", err, c.cause, c.say)
			if session != "" {
				t.Error("a session was handed out")
			}
		})
	}
	t.Run("a second before the end", func(t *testing.T) {
		f := open(t)
		token := f.link(f.account("Theatre 2", consent.Trainee))
		f.clock = f.clock.Add(LinkLasts - time.Second)
		if _, _, err := f.SignIn(t.Context(), token); err != nil {
			t.Error(err)
		}
	})
}

func TestOneLinkYieldsOneSessionHoweverManyTry(t *testing.T) {
	f := open(t)
	token := f.link(f.account("Theatre 2", consent.Curator))
	// A second desk over the same shelf shares no lock with the first: what
	// holds is the swap.
	desks := []*Desk{f.Desk, New(f.shelf, Options{Now: func() time.Time { return f.clock }})}
	var got sync.Map
	var wait sync.WaitGroup
	for i := range 40 {
		wait.Go(func() {
			if s, _, err := desks[i%2].SignIn(t.Context(), token); err == nil {
				got.Store(s, true)
			} else if annotate.CauseOf(err) != annotate.Refused {
				t.Error(err)
			}
		})
	}
	wait.Wait()
	n := 0
	got.Range(func(any, any) bool { n++; return true })
	if n != 1 || len(f.shelf.all[sessions]) != 1 {
		t.Errorf("%d sessions handed out, %d kept; want 1", n, len(f.shelf.all[sessions]))
	}
}

func TestSessionsLastWhileTheyAreUsed(t *testing.T) {
	f := open(t)
	a := f.account("Theatre 2", consent.Trainee)
	token, left := f.signedIn(a), f.signedIn(a)
	for range 4 { // 100 days, never 30 without use
		f.clock = f.clock.Add(25 * 24 * time.Hour)
		if _, _, err := f.Session(t.Context(), token); err != nil {
			t.Fatal(err)
		}
	}
	_, _, err := f.Session(t.Context(), left)
	wants(t, "the one not used", err, annotate.Refused, "not signed in")
	f.clock = f.clock.Add(SessionLasts - time.Second)
	if _, _, err := f.Session(t.Context(), token); err != nil {
		t.Fatal(err)
	}
	f.clock = f.clock.Add(SessionLasts)
	_, _, err = f.Session(t.Context(), token)
	wants(t, "after 30 days", err, annotate.Refused, "not signed in")
}

func TestUsingASessionWritesSeldom(t *testing.T) {
	f := open(t)
	token := f.signedIn(f.account("Theatre 2", consent.Trainee))
	writes := 0
	f.shelf.fail = func(verb, _ string) error {
		if verb == "swap" {
			writes++
		}
		return nil
	}
	for range 120 { // two hours, once a minute
		f.clock = f.clock.Add(time.Minute)
		if _, _, err := f.Session(t.Context(), token); err != nil {
			t.Fatal(err)
		}
	}
	if writes != 2 {
		t.Errorf("%d writes in two hours, want 2", writes)
	}
	f.shelf.fail = func(verb, _ string) error {
		if verb == "swap" {
			return errors.New("disk full")
		}
		return nil
	}
	f.clock = f.clock.Add(2 * time.Hour)
	if _, _, err := f.Session(t.Context(), token); err != nil {
		t.Errorf("a full disk keeps people from reading: %v", err)
	}
}

func TestSigningOut(t *testing.T) {
	f := open(t)
	a := f.account("Theatre 2", consent.Trainee)
	one, other := f.signedIn(a), f.signedIn(a)
	for range 2 {
		if err := f.SignOut(t.Context(), one); err != nil {
			t.Fatal(err)
		}
	}
	_, _, err := f.Session(t.Context(), one)
	wants(t, "after signing out", err, annotate.Refused, "not signed in")
	if _, _, err := f.Session(t.Context(), other); err != nil {
		t.Errorf("the other session ended too: %v", err)
	}
}

func TestNoSessionWithoutAnAuditEntry(t *testing.T) {
	f := open(t)
	token := f.link(f.account("Theatre 2", consent.Trainee))
	f.shelf.fail = func(verb, shelf string) error {
		if verb == "swap" && shelf == audit {
			return errors.New("disk full")
		}
		return nil
	}
	if s, _, err := f.SignIn(t.Context(), token); err == nil || s != "" {
		t.Errorf("got %q, %v", s, err)
	}
	if n := len(f.shelf.all[sessions]); n != 0 {
		t.Errorf("%d sessions kept", n)
	}
}

func TestSweep(t *testing.T) {
	f := open(t)
	a, b := f.account("Theatre 2", consent.Trainee), f.account("Theatre 3", consent.Trainee)
	f.signedIn(a)
	f.link(a)
	f.clock = f.clock.Add(SessionLasts - time.Hour)
	fresh := f.signedIn(b)
	f.clock = f.clock.Add(2 * time.Hour)
	if err := f.Sweep(t.Context()); err != nil {
		t.Fatal(err)
	}
	if len(f.shelf.all[sessions]) != 1 || len(f.shelf.all[links]) != 1 {
		t.Errorf("left: %d sessions, %d links; want the fresh ones", len(f.shelf.all[sessions]), len(f.shelf.all[links]))
	}
	if _, _, err := f.Session(t.Context(), fresh); err != nil {
		t.Error(err)
	}
}

// TestNoSecretIsKeptOrLogged plays all that hands secrets out and looks for
// them, and for names, where they must not be.
func TestNoSecretIsKeptOrLogged(t *testing.T) {
	f := open(t)
	a := f.account("Marked Person", consent.Curator)
	const pass = "marked password of mine"
	if err := f.SetPassword(t.Context(), steward, a.ID, pass); err != nil {
		t.Fatal(err)
	}
	secrets := []string{pass, "wrong password of mine", f.link(a)}
	session, _, err := f.SignIn(t.Context(), secrets[2])
	if err != nil {
		t.Fatal(err)
	}
	again, _, err := f.CheckPassword(t.Context(), "Marked Person", pass)
	if err != nil {
		t.Fatal(err)
	}
	if _, _, err := f.CheckPassword(t.Context(), "Marked Person", secrets[1]); err == nil {
		t.Fatal("a wrong password is let in")
	}
	secrets = append(secrets, session, again, f.link(a))
	f.shelf.fail = func(verb, _ string) error {
		if verb == "swap" {
			return errors.New("disk full")
		}
		return nil
	}
	f.clock = f.clock.Add(2 * time.Hour)
	if _, _, err := f.Session(t.Context(), session); err != nil {
		t.Fatal(err)
	}
	kept := f.log.String()
	if !strings.Contains(kept, "wrong password") || !strings.Contains(kept, "not prolonged") || strings.Contains(kept, "Marked") {
		t.Errorf("log: %s", kept)
	}
	for shelf, m := range f.shelf.all {
		for k, v := range m {
			kept += k + "\n" + string(v) + "\n"
			if shelf != accounts && bytes.Contains(v, []byte("Marked")) {
				t.Errorf("a name on %s: %s", shelf, v)
			}
		}
	}
	for _, s := range secrets {
		if strings.Contains(kept, s) {
			t.Errorf("%q is kept or logged", s)
		}
	}
}
