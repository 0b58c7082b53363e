package annotate

import (
	"iter"
	"maps"
	"slices"
)

// Edit is one change to the library: exactly one of its parts is set, next to
// the case that it concerns.
type Edit struct {
	Case  string // id of the case
	IfRev uint64 // the rev that the case (or, for PutNote and DropNote, the note) must still have; 0: any

	Add      *Case         // a whole new case
	Head     *Case         // replaces all but the recordings' films, captions, stills and notes
	PutNote  *Note         // adds the note, or replaces the one of its id
	DropNote string        // id of the note to remove
	Attach   *Recording    // adds a recording
	Stills   []Still       // replaces the stills
	Captions *CaptionsEdit // replaces one track
	Drop     bool          // removes the case
}

// CaptionsEdit replaces the track of its language, or removes it when empty.
type CaptionsEdit struct {
	Recording string
	Track     Track
}

// Action names what the edit does, for the change log.
func (e Edit) Action() string {
	switch {
	case e.Add != nil:
		return "add case"
	case e.Head != nil:
		return "change case"
	case e.PutNote != nil:
		return "put note"
	case e.DropNote != "":
		return "drop note"
	case e.Attach != nil:
		return "attach recording"
	case e.Captions != nil:
		return "put captions"
	case e.Drop:
		return "drop case"
	case e.Stills != nil:
		return "put stills"
	}
	return ""
}

// Apply gives the case as it is after the edit, checked; c is left as it was.
// c is the zero Case for Add. What breaks a rule is a [Fault] and nothing else.
func (e Edit) Apply(c Case) (Case, error) {
	if err := e.allowed(c); err != nil {
		return Case{}, err
	}
	c.Notes, c.Recordings = slices.Clone(c.Notes), slices.Clone(c.Recordings)
	if err := e.change(&c); err != nil {
		return Case{}, err
	}
	c.SortNotes()
	if bad := Errors(c.Check()); len(bad) > 0 && !e.Drop {
		return Case{}, &Fault{Cause: Invalid, Say: "The case would break a rule, so nothing was changed.", Problems: bad}
	}
	return c, nil
}

// allowed holds the edit against the case that it meets.
func (e Edit) allowed(c Case) error {
	switch {
	case e.Action() == "":
		return Faultf(Invalid, "The change is empty.")
	case e.Add != nil && c.ID != "":
		return Faultf(Conflict, "There is a case %s already.", c.ID)
	case e.Add == nil && c.ID == "":
		return Faultf(Missing, "There is no case %s.", e.Case)
	}
	rev := c.Rev
	if e.PutNote != nil || e.DropNote != "" {
		id := e.DropNote
		if e.PutNote != nil {
			id = e.PutNote.ID
		}
		n, ok := c.Note(id)
		if !ok && (e.DropNote != "" || e.IfRev != 0) {
			return Faultf(Missing, "There is no note %s in case %s; somebody may have removed it.", id, e.Case)
		}
		rev = n.Rev
	}
	if e.IfRev != 0 && e.IfRev != rev {
		return Faultf(Conflict, "Somebody else changed this since you opened it. Reload, then make your change again.")
	}
	return nil
}

func (e Edit) change(c *Case) error {
	switch {
	case e.Add != nil:
		*c = *e.Add
		c.ID, c.Notes = e.Case, slices.Clone(c.Notes)
	case e.Head != nil:
		kept := *c
		*c = *e.Head
		c.ID, c.Rev, c.Notes, c.Stills, c.Recordings = kept.ID, kept.Rev, kept.Notes, kept.Stills, kept.Recordings
	case e.PutNote != nil:
		if i := c.noteIndex(e.PutNote.ID); i >= 0 {
			c.Notes[i] = *e.PutNote
		} else {
			c.Notes = append(c.Notes, *e.PutNote)
		}
	case e.DropNote != "":
		i := c.noteIndex(e.DropNote)
		c.Notes = slices.Delete(c.Notes, i, i+1)
	case e.Attach != nil:
		c.Recordings = append(c.Recordings, *e.Attach)
	case e.Captions != nil:
		return e.Captions.change(c)
	case e.Stills != nil:
		c.Stills = e.Stills
	}
	return nil
}

func (e CaptionsEdit) change(c *Case) error {
	i := slices.IndexFunc(c.Recordings, func(r Recording) bool { return r.ID == e.Recording })
	if i < 0 {
		return Faultf(Missing, "There is no recording %s in this case.", e.Recording)
	}
	tracks := slices.DeleteFunc(slices.Clone(c.Recordings[i].Captions), func(t Track) bool { return t.Language == e.Track.Language })
	if len(e.Track.Cues) > 0 {
		tracks = append(tracks, e.Track)
	}
	c.Recordings[i].Captions = tracks
	return nil
}

// Change is an entry of the change log: what happened, in the order in which it did.
type Change struct {
	Seq    uint64 `json:"seq"`
	At     string `json:"at"` // RFC 3339, UTC
	By     string `json:"by"` // account id
	Action string `json:"action"`
	Case   string `json:"case"`
	Note   string `json:"note,omitempty"`
	Before []byte `json:"before,omitempty"` // JSON of what was replaced: the note, or the case without its notes
	After  []byte `json:"after,omitempty"`
}

// Prepared is what was made from a recording's original. All of it is derived:
// it can be deleted and is made again.
type Prepared struct {
	State  string            `json:"state"`          // waiting, working, ready, failed
	Say    string            `json:"say,omitempty"`  // failed: why, and what to do
	Play   string            `json:"play,omitempty"` // hash of the copy that is served: no metadata, browsers play it
	Type   string            `json:"type,omitempty"` // its media type
	Poster string            `json:"poster,omitempty"`
	Stills map[string]string `json:"stills,omitempty"` // by note id: a frame of each stage
	Done   float64           `json:"done,omitempty"`   // working: 0 to 1
}

// sorted ranges over a map in the order of its keys.
func sorted[V any](m map[string]V) iter.Seq2[string, V] {
	return func(yield func(string, V) bool) {
		for _, k := range slices.Sorted(maps.Keys(m)) {
			if !yield(k, m[k]) {
				return
			}
		}
	}
}
