// Package consent decides what of a case may leave, and to whom. It alone can
// fill a [Release]; without one no export is written and no byte of film is sent.
//
// It must not know how things are sent or stored, nor what day it is.
package consent

import (
	"slices"

	"sideport/annotate"
)

// Role is what an account may do; each may do what those before it may.
type Role string

// The roles.
const (
	Trainee   Role = "trainee"   // reads, studies
	Presenter Role = "presenter" // and builds reels
	Curator   Role = "curator"   // and writes cases
	Steward   Role = "steward"   // and accounts, consent register, vocabulary, audit
)

var roles = []Role{Trainee, Presenter, Curator, Steward}

// AtLeast says whether r may do what least may. An unknown role may do nothing,
// and nobody may do what needs one.
func (r Role) AtLeast(least Role) bool {
	i, j := slices.Index(roles, r), slices.Index(roles, least)
	return j >= 0 && i >= j
}

// Viewer is who asks. The zero Viewer is a member of the public.
type Viewer struct {
	Account string // id, for the audit; "" when not signed in
	Role    Role   // "" when not signed in
}

// Audience is the narrowest audience that v belongs to: what v may see is what
// was consented to for that audience or a wider one.
func (v Viewer) Audience() annotate.Audience {
	if v.Role.AtLeast(Trainee) {
		return annotate.OwnUnit
	}
	return annotate.Public
}

// Sees says whether v may see c at all: the consent reaches v and, for those
// who do not write cases, the case is published. Curators see every case whose
// consent is not withdrawn, also while consent is not yet entered: they are the
// ones who enter it.
func (v Viewer) Sees(c annotate.Case) bool {
	if c.Consent.Withdrawn != "" {
		return false
	}
	if v.Role.AtLeast(Curator) {
		return true
	}
	return c.Status == annotate.Published && reaches(c.Consent, v.Audience())
}

// reaches says whether the consent covers an audience. Unknown is no.
func reaches(c annotate.Consent, a annotate.Audience) bool {
	return c.Withdrawn == "" && a > annotate.Nobody && c.Audience >= a
}

// Release is a case that may leave, for one audience. Only [View] and [Export]
// make one that is not empty.
type Release struct {
	c        annotate.Case
	audience annotate.Audience
}

// View releases c to be read by v on the pages and the API of the library.
func View(c annotate.Case, v Viewer) (Release, error) {
	if !v.Sees(c) {
		return Release{}, gone(c)
	}
	return release(c, v.Audience(), !v.Role.AtLeast(Curator)), nil
}

// Export releases c to leave the library as a file asked for by v and meant for
// an audience: the consent has to reach that audience, whoever asks.
func Export(c annotate.Case, v Viewer, to annotate.Audience) (Release, error) {
	if !v.Sees(c) {
		return Release{}, gone(c)
	}
	if !reaches(c.Consent, to) {
		return Release{}, annotate.Faultf(annotate.Refused,
			"The consent for this case covers %s; it cannot be exported for %s. Enter the patient's consent first, or choose a narrower audience.",
			c.Consent.Audience, to)
	}
	if to > annotate.OwnUnit {
		// Of dates no more than the year leaves: the day of consent lies close to
		// that of the operation (45 CFR 164.514(b)(2)(i)(C)).
		c.Consent.Obtained = c.Consent.Obtained[:min(4, len(c.Consent.Obtained))]
	}
	// What leaves the unit carries nothing that is only for those who write it.
	return release(c, to, to > annotate.OwnUnit || !v.Role.AtLeast(Curator)), nil
}

// gone tells those who may not see a case nothing that a missing case would not.
func gone(c annotate.Case) error {
	return annotate.Faultf(annotate.Missing, "There is no case %s here.", c.ID)
}

// release takes out what goes to nobody else: the register reference always
// stays with curators; pencilled notes are nobody's word yet.
func release(c annotate.Case, a annotate.Audience, reader bool) Release {
	if reader {
		c.Consent.Reference = ""
		c.Notes = slices.DeleteFunc(slices.Clone(c.Notes), func(n annotate.Note) bool { return n.State == annotate.Pencilled })
	}
	return Release{c: c, audience: a}
}

// Case gives the released case.
func (r Release) Case() annotate.Case { return r.c }

// Audience gives whom the release is for; Nobody for an empty one.
func (r Release) Audience() annotate.Audience { return r.audience }

// Covers says whether the released case holds the recording or still of a hash.
func (r Release) Covers(hash string) bool {
	if r.audience == annotate.Nobody || hash == "" {
		return false
	}
	return slices.ContainsFunc(r.c.Recordings, func(x annotate.Recording) bool { return x.Hash == hash }) ||
		slices.ContainsFunc(r.c.Stills, func(x annotate.Still) bool { return x.Hash == hash })
}
