package auth

import (
	"cmp"
	"context"
	"encoding/base32"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"sideport/annotate"
	"sideport/annotate/consent"
)

// MaxName is how many characters the name of an account may have.
const MaxName = 80

// Account is somebody who can sign in.
type Account struct {
	ID       string       `json:"id"`
	Name     string       `json:"name"` // for people; in no log and no audit
	Role     consent.Role `json:"role"`
	Created  time.Time    `json:"created"`
	Disabled bool         `json:"disabled,omitempty"`
}

var errTaken = errors.New("this key is taken")

// FirstSteward gives the longest-standing steward who can sign in, and makes
// one when there is none.
func (d *Desk) FirstSteward(ctx context.Context) (Account, error) {
	d.people.Lock()
	defer d.people.Unlock()
	all, err := d.Accounts(ctx)
	if err != nil {
		return Account{}, err
	}
	if i := slices.IndexFunc(all, isSteward); i >= 0 {
		return all[i], nil
	}
	name := "Steward"
	for n := 2; slices.ContainsFunc(all, called(name)); n++ {
		name = fmt.Sprintf("Steward %d", n)
	}
	return d.put(ctx, machine(), name, consent.Steward)
}

// Accounts lists all accounts, the oldest first.
func (d *Desk) Accounts(ctx context.Context) ([]Account, error) {
	var all []Account
	err := each(ctx, d.shelf, accounts, func(_ string, a Account) error {
		all = append(all, a)
		return nil
	})
	slices.SortFunc(all, func(a, b Account) int {
		return cmp.Or(a.Created.Compare(b.Created), cmp.Compare(a.ID, b.ID))
	})
	return all, err
}

// AddAccount makes an account. It is a fault when by is no steward, the name is
// empty, too long or taken, or there is no such role.
func (d *Desk) AddAccount(ctx context.Context, by consent.Viewer, name string, role consent.Role) (Account, error) {
	if err := stewardsOnly(by); err != nil {
		return Account{}, err
	}
	name, err := cleanName(name)
	if err != nil {
		return Account{}, err
	}
	if err := checkRole(role); err != nil {
		return Account{}, err
	}
	d.people.Lock()
	defer d.people.Unlock()
	all, err := d.Accounts(ctx)
	if err != nil {
		return Account{}, err
	}
	if slices.ContainsFunc(all, called(name)) {
		return Account{}, annotate.Faultf(annotate.Conflict, "There is already an account called %s; give this one another name.", name)
	}
	return d.put(ctx, by, name, role)
}

// put keeps a new account and notes it.
func (d *Desk) put(ctx context.Context, by consent.Viewer, name string, role consent.Role) (Account, error) {
	var b [10]byte
	if _, err := io.ReadFull(d.random, b[:]); err != nil {
		return Account{}, fmt.Errorf("draw an id: %w", err)
	}
	a := Account{ID: strings.ToLower(base32.StdEncoding.EncodeToString(b[:])), Name: name, Role: role, Created: d.now().UTC()}
	if err := add(ctx, d.shelf, accounts, a.ID, a); err != nil {
		return Account{}, fmt.Errorf("keep a new account: %w", err)
	}
	return a, d.Note(ctx, by, "account added as "+string(role), a.ID)
}

// SetRole gives an account another role, from its next request on. The last
// steward stays one.
func (d *Desk) SetRole(ctx context.Context, by consent.Viewer, id string, role consent.Role) error {
	if err := checkRole(role); err != nil {
		return err
	}
	return d.change(ctx, by, id, "role set to "+string(role), func(a *Account) { a.Role = role })
}

// Disable keeps an account from signing in and ends its sessions and links.
// What it has written stays. The last steward cannot be disabled.
func (d *Desk) Disable(ctx context.Context, by consent.Viewer, id string) error {
	err := d.change(ctx, by, id, "account disabled", func(a *Account) { a.Disabled = true })
	if err != nil {
		return err
	}
	return d.signOutAll(ctx, id)
}

// Enable lets a disabled account sign in again, with a new link.
func (d *Desk) Enable(ctx context.Context, by consent.Viewer, id string) error {
	return d.change(ctx, by, id, "account enabled", func(a *Account) { a.Disabled = false })
}

// change edits an account as a steward may.
func (d *Desk) change(ctx context.Context, by consent.Viewer, id, action string, edit func(*Account)) error {
	if err := stewardsOnly(by); err != nil {
		return err
	}
	d.people.Lock()
	defer d.people.Unlock()
	all, err := d.Accounts(ctx)
	if err != nil {
		return err
	}
	others := slices.ContainsFunc(all, func(a Account) bool { return a.ID != id && isSteward(a) })
	err = swap(ctx, d.shelf, accounts, id, func(a *Account, found bool) error {
		if !found {
			return noAccount()
		}
		was := isSteward(*a)
		edit(a)
		if was && !isSteward(*a) && !others {
			return annotate.Faultf(annotate.Conflict, "This is the only steward; make somebody else a steward first.")
		}
		return nil
	})
	if err != nil {
		return err
	}
	return d.Note(ctx, by, action, id)
}

func (d *Desk) signOutAll(ctx context.Context, id string) error {
	if err := forget(ctx, d.shelf, sessions, func(s session) bool { return s.Account == id }); err != nil {
		return err
	}
	return forget(ctx, d.shelf, links, func(l link) bool { return l.Account == id })
}

// account finds an account that may sign in.
func (d *Desk) account(ctx context.Context, id string) (Account, error) {
	a, found, err := take[Account](ctx, d.shelf, accounts, id)
	if err != nil {
		return Account{}, err
	}
	if !found {
		return Account{}, noAccount()
	}
	if a.Disabled {
		return Account{}, annotate.Faultf(annotate.Refused, "This account has been disabled. Ask a steward to enable it.")
	}
	return a, nil
}

func isSteward(a Account) bool { return a.Role == consent.Steward && !a.Disabled }

func called(name string) func(Account) bool {
	return func(a Account) bool { return strings.EqualFold(a.Name, name) }
}

func noAccount() error { return annotate.Faultf(annotate.Missing, "There is no such account here.") }

func stewardsOnly(by consent.Viewer) error {
	if by.Role.AtLeast(consent.Steward) {
		return nil
	}
	return annotate.Faultf(annotate.Refused, "Only a steward may change accounts; ask one.")
}

func checkRole(r consent.Role) error {
	if r.AtLeast(consent.Trainee) {
		return nil
	}
	return annotate.Faultf(annotate.Invalid, "%q is not a role; it is one of trainee, presenter, curator, steward.", r)
}

func cleanName(s string) (string, error) {
	s = strings.Join(strings.Fields(s), " ")
	unseen := func(r rune) bool { return !unicode.IsGraphic(r) }
	if s == "" || utf8.RuneCountInString(s) > MaxName || !utf8.ValidString(s) || strings.ContainsFunc(s, unseen) {
		return "", annotate.Faultf(annotate.Invalid, "An account needs a name of 1 to %d letters, as in Theatre 2.", MaxName)
	}
	return s, nil
}
