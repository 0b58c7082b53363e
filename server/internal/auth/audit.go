package auth

import (
	"context"
	"errors"
	"fmt"
	"math"
	"regexp"
	"time"

	"sideport/annotate/consent"
)

// Entry is a line of the audit: who did what to which thing, by their ids.
type Entry struct {
	Key     string    `json:"-"` // place in the audit
	At      time.Time `json:"at"`
	Account string    `json:"account"` // "" for the public
	Action  string    `json:"action"`  // "signed in by link"
	Subject string    `json:"subject,omitempty"`
}

// What an entry may hold. Names and text do not fit: a subject has no spaces,
// and an action none but those of plain lower-case words.
var (
	actionForm  = regexp.MustCompile(`^[a-z][a-z0-9 .-]{0,79}$`)
	subjectForm = regexp.MustCompile(`^[A-Za-z0-9][A-Za-z0-9._:/-]{0,127}$`)
)

// Note adds an entry to the audit: action in lower-case words, subject an id or
// nothing. Entries are never changed.
func (d *Desk) Note(ctx context.Context, who consent.Viewer, action, subject string) error {
	if !actionForm.MatchString(action) || subject != "" && !subjectForm.MatchString(subject) || who.Account != "" && !subjectForm.MatchString(who.Account) {
		return errors.New("audit: an entry holds lower-case words and ids only")
	}
	now := d.now().UTC()
	for {
		key := d.place(now)
		err := add(ctx, d.shelf, audit, key, Entry{At: now, Account: who.Account, Action: action, Subject: subject})
		if errors.Is(err, errTaken) {
			continue
		}
		if err != nil {
			return fmt.Errorf("keep an audit entry: %w", err)
		}
		return nil
	}
}

// place gives the key of an entry. Later ones come before earlier ones, so that
// the newest are read without the rest; no two are alike, whatever the clock does.
func (d *Desk) place(now time.Time) string {
	d.book.Lock()
	defer d.book.Unlock()
	d.last = max(d.last+1, now.UnixNano())
	return fmt.Sprintf("%016x", math.MaxInt64-d.last)
}

var errEnough = errors.New("enough")

// Audit gives up to limit entries, the newest first; after is the Key of the
// last one of the page before, or "".
func (d *Desk) Audit(ctx context.Context, after string, limit int) ([]Entry, error) {
	var out []Entry
	err := each(ctx, d.shelf, audit, func(key string, e Entry) error {
		if key <= after {
			return nil
		}
		if len(out) >= limit {
			return errEnough
		}
		e.Key = key
		out = append(out, e)
		return nil
	})
	if err != nil && !errors.Is(err, errEnough) {
		return nil, err
	}
	return out, nil
}
