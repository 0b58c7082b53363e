// Package auth knows who somebody is: accounts and their roles, one-time links
// to sign in with, passwords for those who want one, sessions, and the audit of
// who did what. Secrets are handed out once and kept only as digests.
//
// It must not know about cookies, pages or cases, nor what a role may see of one.
package auth

import (
	"context"
	"crypto/rand"
	"crypto/sha256"
	"encoding/base64"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"io"
	"log/slog"
	"sync"
	"time"

	"sideport/annotate/consent"
)

// How long what is handed out lasts.
const (
	LinkLasts    = 24 * time.Hour
	SessionLasts = 30 * 24 * time.Hour // from when it was last used
)

// Local is the account under which this machine itself acts: the server when
// it starts, and the commands of whoever holds the data folder.
const Local = "local"

// Shelf keeps small things by shelf and key. fn must not call the shelf, and
// what it is given is its own only until it returns.
type Shelf interface {
	Take(ctx context.Context, shelf, key string) ([]byte, bool, error)
	Forget(ctx context.Context, shelf, key string) error // what is not there is no error
	// Each goes through a shelf in the order of its keys until fn gives an
	// error, which it passes on.
	Each(ctx context.Context, shelf string, fn func(key string, value []byte) error) error
	// Swap puts what fn makes of the old value, nil where there is none, in its
	// place; nobody else writes between. An error of fn leaves all as it was.
	Swap(ctx context.Context, shelf, key string, fn func(old []byte) ([]byte, error)) error
}

// The shelves and what is on them.
const (
	accounts  = "accounts"  // account id: Account
	links     = "links"     // digest of the link's token: link
	sessions  = "sessions"  // digest of the session's token: session
	passwords = "passwords" // account id: password
	audit     = "audit"     // inverted time: Entry
)

// Options are what a desk needs of the outside; zero fields get the usual.
type Options struct {
	Now    func() time.Time
	Random io.Reader // of secrets
	Log    *slog.Logger
}

// Desk signs people in and out and keeps the list of accounts.
type Desk struct {
	shelf  Shelf
	now    func() time.Time
	random io.Reader
	log    *slog.Logger
	gate   *gate

	// people is held while what was read of the accounts has to stay true, as
	// that there is another steward.
	people sync.Mutex

	book sync.Mutex // guards last
	last int64      // time of the last audit entry, ns since 1970
}

// New opens a desk over a shelf.
func New(shelf Shelf, o Options) *Desk {
	d := &Desk{shelf: shelf, now: o.Now, random: o.Random, log: o.Log}
	if d.now == nil {
		d.now = time.Now
	}
	if d.random == nil {
		d.random = rand.Reader
	}
	if d.log == nil {
		d.log = slog.New(slog.DiscardHandler)
	}
	d.gate = newGate(d.now)
	return d
}

// Sweep forgets links and sessions whose time is over.
func (d *Desk) Sweep(ctx context.Context) error {
	now := d.now()
	err := forget(ctx, d.shelf, links, func(l link) bool { return !now.Before(l.Expires) })
	if err != nil {
		return err
	}
	return forget(ctx, d.shelf, sessions, func(s session) bool { return !now.Before(s.expires()) })
}

// secret makes 256 random bits as 43 characters that are safe in an address.
func (d *Desk) secret() (string, error) {
	var b [32]byte
	if _, err := io.ReadFull(d.random, b[:]); err != nil {
		return "", fmt.Errorf("draw a secret: %w", err)
	}
	return base64.RawURLEncoding.EncodeToString(b[:]), nil
}

// digest is the key under which a secret is kept. Looking it up needs no
// constant time: what a difference in time could tell is about the digest, and
// nobody finds 256 random bits from that.
func digest(secret string) string {
	sum := sha256.Sum256([]byte(secret))
	return hex.EncodeToString(sum[:])
}

// take reads a T.
func take[T any](ctx context.Context, s Shelf, shelf, key string) (v T, found bool, err error) {
	b, found, err := s.Take(ctx, shelf, key)
	if err == nil && found {
		err = json.Unmarshal(b, &v)
	}
	if err != nil {
		return v, false, fmt.Errorf("read from %s: %w", shelf, err)
	}
	return v, found, nil
}

// swap changes a T, or refuses to with the error of fn. found is false where
// there was none.
func swap[T any](ctx context.Context, s Shelf, shelf, key string, fn func(v *T, found bool) error) error {
	return s.Swap(ctx, shelf, key, func(old []byte) ([]byte, error) {
		var v T
		if old != nil {
			if err := json.Unmarshal(old, &v); err != nil {
				return nil, fmt.Errorf("read from %s: %w", shelf, err)
			}
		}
		if err := fn(&v, old != nil); err != nil {
			return nil, err
		}
		return json.Marshal(v)
	})
}

// add keeps a T where nothing may be yet.
func add[T any](ctx context.Context, s Shelf, shelf, key string, v T) error {
	return swap(ctx, s, shelf, key, func(old *T, found bool) error {
		if found {
			return errTaken
		}
		*old = v
		return nil
	})
}

// each reads every T of a shelf.
func each[T any](ctx context.Context, s Shelf, shelf string, fn func(key string, v T) error) error {
	return s.Each(ctx, shelf, func(key string, value []byte) error {
		var v T
		if err := json.Unmarshal(value, &v); err != nil {
			return fmt.Errorf("read %s from %s: %w", key, shelf, err)
		}
		return fn(key, v)
	})
}

// forget removes those of a shelf for which over is true.
func forget[T any](ctx context.Context, s Shelf, shelf string, over func(T) bool) error {
	var keys []string
	err := each(ctx, s, shelf, func(key string, v T) error {
		if over(v) {
			keys = append(keys, key)
		}
		return nil
	})
	if err != nil {
		return err
	}
	for _, k := range keys {
		if err := s.Forget(ctx, shelf, k); err != nil {
			return fmt.Errorf("forget one of %s: %w", shelf, err)
		}
	}
	return nil
}

// machine is who [Local] is when it acts.
func machine() consent.Viewer { return consent.Viewer{Account: Local, Role: consent.Steward} }
