package auth

import (
	"context"
	"errors"
	"fmt"
	"time"

	"sideport/annotate"
	"sideport/annotate/consent"
)

// link is what is kept of a one-time link.
type link struct {
	Account string    `json:"account"`
	Expires time.Time `json:"expires"`
	Used    bool      `json:"used,omitempty"`
}

// session is what is kept of a session.
type session struct {
	Account string    `json:"account"`
	Begun   time.Time `json:"begun"`
	Seen    time.Time `json:"seen"` // to within touchEvery
}

func (s session) expires() time.Time { return s.Seen.Add(SessionLasts) }

// touchEvery is how old Seen may be: a write for each request would be too many.
const touchEvery = time.Hour

// Link makes the token of a link that signs an account in, once, within
// [LinkLasts]; an earlier link of the account ends. Whoever asks for somebody
// else's link is to be noted with [Desk.Note].
func (d *Desk) Link(ctx context.Context, account string) (token string, err error) {
	d.people.Lock()
	defer d.people.Unlock()
	if _, err := d.account(ctx, account); err != nil {
		return "", err
	}
	if token, err = d.secret(); err != nil {
		return "", err
	}
	if err := forget(ctx, d.shelf, links, func(l link) bool { return l.Account == account && !l.Used }); err != nil {
		return "", err
	}
	err = add(ctx, d.shelf, links, digest(token), link{Account: account, Expires: d.now().UTC().Add(LinkLasts)})
	if err != nil {
		return "", fmt.Errorf("keep a link: %w", err)
	}
	return token, nil
}

// Peek says whether a link would sign somebody in, without using it up: what
// looks at a link before its reader does must not spoil it.
func (d *Desk) Peek(ctx context.Context, linkToken string) error {
	l, found, err := take[link](ctx, d.shelf, links, digest(linkToken))
	if err != nil {
		return err
	}
	if err := d.usable(l, found); err != nil {
		return err
	}
	_, err = d.account(ctx, l.Account)
	return err
}

// usable gives the fault of a link that signs nobody in.
func (d *Desk) usable(l link, found bool) error {
	switch {
	case !found:
		return annotate.Faultf(annotate.Missing, "This sign-in link is not known here; a newer one may have taken its place. Ask a steward for a new link.")
	case l.Used:
		return annotate.Faultf(annotate.Refused, "This sign-in link has been used already. Ask a steward for a new link.")
	case !d.now().Before(l.Expires):
		return annotate.Faultf(annotate.Refused, "This sign-in link has run out; it lasted %d hours. Ask a steward for a new link.", int(LinkLasts.Hours()))
	}
	return nil
}

// SignIn uses a link up and begins a session. It is a fault when the link is
// unknown, used or run out, or its account disabled.
func (d *Desk) SignIn(ctx context.Context, linkToken string) (token string, acc Account, err error) {
	d.people.Lock() // so that an account disabled meanwhile gets no session
	defer d.people.Unlock()
	if err := d.Peek(ctx, linkToken); err != nil {
		return "", Account{}, err
	}
	var account string
	err = swap(ctx, d.shelf, links, digest(linkToken), func(l *link, found bool) error {
		if err := d.usable(*l, found); err != nil {
			return err
		}
		account, l.Used = l.Account, true
		return nil
	})
	if err != nil {
		return "", Account{}, err
	}
	if acc, err = d.account(ctx, account); err != nil {
		return "", Account{}, err
	}
	token, err = d.begin(ctx, acc, "signed in by link")
	return token, acc, err
}

// begin makes a session and notes it.
func (d *Desk) begin(ctx context.Context, acc Account, how string) (string, error) {
	token, err := d.secret()
	if err != nil {
		return "", err
	}
	now := d.now().UTC()
	if err := add(ctx, d.shelf, sessions, digest(token), session{Account: acc.ID, Begun: now, Seen: now}); err != nil {
		return "", fmt.Errorf("keep a session: %w", err)
	}
	if err := d.Note(ctx, consent.Viewer{Account: acc.ID, Role: acc.Role}, how, acc.ID); err != nil {
		return "", errors.Join(err, d.shelf.Forget(ctx, sessions, digest(token)))
	}
	return token, nil
}

// Session finds out whose session a token is and keeps it going. It is a fault
// of cause Refused when the session is unknown or over, or the account disabled.
func (d *Desk) Session(ctx context.Context, token string) (consent.Viewer, Account, error) {
	key := digest(token)
	s, found, err := take[session](ctx, d.shelf, sessions, key)
	if err != nil {
		return consent.Viewer{}, Account{}, err
	}
	now := d.now().UTC()
	if !found || !now.Before(s.expires()) {
		return consent.Viewer{}, Account{}, signedOut()
	}
	acc, err := d.account(ctx, s.Account)
	if annotate.CauseOf(err) != "" {
		return consent.Viewer{}, Account{}, signedOut()
	}
	if err != nil {
		return consent.Viewer{}, Account{}, err
	}
	if now.Sub(s.Seen) >= touchEvery {
		err := swap(ctx, d.shelf, sessions, key, func(s *session, found bool) error {
			if !found {
				return signedOut()
			}
			s.Seen = now
			return nil
		})
		if annotate.CauseOf(err) != "" {
			return consent.Viewer{}, Account{}, err
		}
		if err != nil { // a full disk should not keep people from reading
			d.log.Warn("session not prolonged", "account", acc.ID, "err", err)
		}
	}
	return consent.Viewer{Account: acc.ID, Role: acc.Role}, acc, nil
}

// SignOut ends a session. One that is over already is no error.
func (d *Desk) SignOut(ctx context.Context, token string) error {
	s, found, err := take[session](ctx, d.shelf, sessions, digest(token))
	if err != nil || !found {
		return err
	}
	if err := d.shelf.Forget(ctx, sessions, digest(token)); err != nil {
		return fmt.Errorf("end a session: %w", err)
	}
	return d.Note(ctx, consent.Viewer{Account: s.Account}, "signed out", s.Account)
}

func signedOut() error {
	return annotate.Faultf(annotate.Refused, "You are not signed in any more. Sign in again with a new link.")
}
