package auth

import (
	"context"
	"crypto/subtle"
	"fmt"
	"io"
	"math"
	"slices"
	"strings"
	"sync"
	"time"
	"unicode/utf8"

	"golang.org/x/crypto/argon2"

	"sideport/annotate"
	"sideport/annotate/consent"
)

// Limits of a password, in characters. The upper one is against being kept busy.
const (
	MinPassword = 12
	MaxPassword = 256
)

// password is what is kept of one: its Argon2id digest, and what it was made
// with, so that the cost can rise later.
type password struct {
	Salt   []byte `json:"salt"`
	Passes uint32 `json:"passes"`
	KiB    uint32 `json:"kib"`
	Digest []byte `json:"digest"`
}

// costs are the first of those recommended in the OWASP Password Storage Cheat
// Sheet: Argon2id (RFC 9106) with 19 MiB, 2 passes, 1 lane.
func costs(salt []byte) password { return password{Salt: salt, Passes: 2, KiB: 19 * 1024} }

func (p password) of(secret string) []byte {
	return argon2.IDKey([]byte(secret), p.Salt, p.Passes, p.KiB, 1, 32)
}

// SetPassword gives an account a password, beside its links. Its owner and
// stewards may. Sessions go on.
func (d *Desk) SetPassword(ctx context.Context, by consent.Viewer, id, secret string) error {
	if by.Account != id {
		if err := stewardsOnly(by); err != nil {
			return err
		}
	}
	if n := utf8.RuneCountInString(secret); n < MinPassword || n > MaxPassword {
		return annotate.Faultf(annotate.Invalid, "A password has %d to %d characters; a sentence is easy to keep in mind.", MinPassword, MaxPassword)
	}
	if _, err := d.account(ctx, id); err != nil {
		return err
	}
	p := costs(make([]byte, 16))
	if _, err := io.ReadFull(d.random, p.Salt); err != nil {
		return fmt.Errorf("draw a salt: %w", err)
	}
	leave, err := d.gate.enter(ctx)
	if err != nil {
		return err
	}
	p.Digest = p.of(secret)
	leave()
	if err := swap(ctx, d.shelf, passwords, id, func(old *password, _ bool) error { *old = p; return nil }); err != nil {
		return fmt.Errorf("keep a password: %w", err)
	}
	return d.Note(ctx, by, "password set", id)
}

// CheckPassword signs in by an account's name and password. It is a fault of
// cause Refused, the same whatever is wrong, and Busy when too many wrong ones
// were tried for the name.
func (d *Desk) CheckPassword(ctx context.Context, name, secret string) (token string, acc Account, err error) {
	key := digest(strings.ToLower(strings.Join(strings.Fields(name), " ")))
	if wait := d.gate.try(key); wait > 0 {
		return "", Account{}, annotate.Faultf(annotate.Busy, "There were too many wrong passwords for this name. Wait %d seconds, or ask a steward for a sign-in link.", int(math.Ceil(wait.Seconds())))
	}
	acc, p, err := d.passwordOf(ctx, name)
	if err != nil {
		return "", Account{}, err
	}
	leave, err := d.gate.enter(ctx)
	if err != nil {
		return "", Account{}, err
	}
	// Computed also where there is no password, so that the time tells nothing.
	same := utf8.RuneCountInString(secret) <= MaxPassword && subtle.ConstantTimeCompare(p.of(secret), p.Digest) == 1
	leave()
	if !same {
		d.log.Info("wrong password", "account", acc.ID)
		return "", Account{}, annotate.Faultf(annotate.Refused, "This name and password do not belong together. Try again, or ask a steward for a sign-in link.")
	}
	d.gate.clear(key)
	d.people.Lock()
	defer d.people.Unlock()
	if acc, err = d.account(ctx, acc.ID); err != nil { // disabled meanwhile
		return "", Account{}, err
	}
	token, err = d.begin(ctx, acc, "signed in by password")
	return token, acc, err
}

// passwordOf finds what a password given for name is to be held against: where
// there is nothing, a digest that none has.
func (d *Desk) passwordOf(ctx context.Context, name string) (Account, password, error) {
	none := costs(make([]byte, 16))
	all, err := d.Accounts(ctx)
	if err != nil {
		return Account{}, none, err
	}
	i := slices.IndexFunc(all, called(strings.Join(strings.Fields(name), " ")))
	if i < 0 || all[i].Disabled {
		return Account{}, none, nil
	}
	p, found, err := take[password](ctx, d.shelf, passwords, all[i].ID)
	if err != nil || !found {
		return all[i], none, err
	}
	return all[i], p, nil
}

// What the gate allows: free tries for a name, the longest wait after more, how
// many names it remembers, and how many digests are computed at once.
const (
	freeTries = 5
	longWait  = 15 * time.Minute
	gateNames = 1000
	atOnce    = 2
)

// gate slows down the guessing of passwords. It forgets when the server stops.
type gate struct {
	now  func() time.Time
	busy chan struct{}

	mu    sync.Mutex
	tries map[string]try
}

type try struct {
	n     int
	until time.Time // no further try before
}

func newGate(now func() time.Time) *gate {
	return &gate{now: now, busy: make(chan struct{}, atOnce), tries: map[string]try{}}
}

// try counts a try for a key, or gives how long to wait for the next.
func (g *gate) try(key string) time.Duration {
	g.mu.Lock()
	defer g.mu.Unlock()
	now := g.now()
	t := g.tries[key]
	if now.Before(t.until) {
		return t.until.Sub(now)
	}
	if now.Sub(t.until) > longWait {
		t.n = 0
	}
	t.n++
	t.until = now
	if t.n >= freeTries {
		t.until = now.Add(min(longWait, time.Second<<min(t.n-freeTries, 20)))
	}
	if _, known := g.tries[key]; !known && len(g.tries) >= gateNames {
		g.dropOldest()
	}
	g.tries[key] = t
	return 0
}

func (g *gate) dropOldest() {
	var oldest string
	at := g.now().Add(2 * longWait) // later than any
	for k, t := range g.tries {
		if t.until.Before(at) {
			oldest, at = k, t.until
		}
	}
	delete(g.tries, oldest)
}

// clear forgets the tries for a key after a right one.
func (g *gate) clear(key string) {
	g.mu.Lock()
	defer g.mu.Unlock()
	delete(g.tries, key)
}

// enter waits for one of the few places at which a digest is computed.
func (g *gate) enter(ctx context.Context) (leave func(), err error) {
	select {
	case g.busy <- struct{}{}:
		return func() { <-g.busy }, nil
	case <-ctx.Done():
		return nil, ctx.Err()
	}
}
