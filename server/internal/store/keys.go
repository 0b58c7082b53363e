package store

import (
	"encoding/binary"
	"fmt"
	"strings"
	"unicode"
	"unicode/utf8"

	"sideport/annotate"
)

// The buckets; doc.go says what is in them.
const (
	metaBucket       = "meta"
	casesBucket      = "cases"
	recordingsBucket = "recordings"
	captionsBucket   = "captions"
	notesBucket      = "notes"
	changesBucket    = "changes"
	preparedBucket   = "prepared"
	shelvesBucket    = "shelves"
)

const schemaKey = "schema"

// maxID keeps every key far under bbolt's limit of 32 KiB.
const maxID = 200

func caseKey(id string) []byte                { return []byte(id) }
func insideKey(id string) []byte              { return []byte(id + "/") }
func noteKey(id, note string) []byte          { return []byte(id + "/" + note) }
func preparedKey(id, recording string) []byte { return []byte(id + "/" + recording) }

func recordingKey(id string, place int) []byte { return fmt.Appendf(nil, "%s/%04d", id, place) }

func captionsKey(id, recording, language string) []byte {
	return []byte(id + "/" + recording + "/" + language)
}

func number(n uint64) []byte { return binary.BigEndian.AppendUint64(nil, n) }

func readNumber(b []byte) (uint64, error) {
	if len(b) != 8 {
		return 0, fmt.Errorf("a number of %d bytes, not 8", len(b))
	}
	return binary.BigEndian.Uint64(b), nil
}

// checkID refuses what cannot be part of a key. What names the thing: "a note".
func checkID(what, id string) error {
	bad := func(r rune) bool { return r == '/' || unicode.IsControl(r) }
	switch {
	case id == "":
		return annotate.Faultf(annotate.Invalid, "%s needs an id.", what)
	case len(id) > maxID, strings.ContainsFunc(id, bad), !utf8.ValidString(id):
		return annotate.Faultf(annotate.Invalid, "%s cannot have the id %.40q; use up to %d letters, digits and hyphens.", what, id, maxID)
	}
	return nil
}

// checkIDs holds the ids of a case against the rules of keys: two things of
// one id would be one value.
func checkIDs(c annotate.Case) error {
	if err := checkID("A case", c.ID); err != nil {
		return err
	}
	seen := map[string]bool{}
	once := func(what, id string) error {
		if err := checkID(what, id); err != nil {
			return err
		}
		if seen[what+id] {
			return annotate.Faultf(annotate.Invalid, "%s of the id %s is there already; every one needs its own.", what, id)
		}
		seen[what+id] = true
		return nil
	}
	for _, n := range c.Notes {
		if err := once("A note", n.ID); err != nil {
			return err
		}
	}
	for _, r := range c.Recordings {
		if err := once("A recording", r.ID); err != nil {
			return err
		}
		for _, t := range r.Captions {
			if err := checkTrack(t, func() error { return once("A track of recording "+r.ID, t.Language) }); err != nil {
				return err
			}
		}
	}
	return nil
}

func checkTrack(t annotate.Track, once func() error) error {
	if t.Language == "" {
		return annotate.Faultf(annotate.Invalid, "Captions need a language, such as en, or und where it is not known.")
	}
	return once()
}
