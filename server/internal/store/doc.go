// Package store keeps the library: one file, one writer path. A change is
// checked, written and entered in the change log in the same transaction, and
// is on disk when the call returns. Everything else that the program keeps can
// be made again from here and from the recordings themselves.
//
// It must not know what a recording's bytes are, how a case is searched, shown
// or sent, or who may do what: it is handed an edit and a name to enter in the
// log, and holds the edit against the rules of package annotate.
//
// # Layout
//
// The file is DIR/library.db. Ids hold no "/" and no control characters, so
// the parts of a key are parted by "/". Integers are eight bytes, big-endian.
//
//	bucket      key                     value                                  order            example
//	meta        schema                  integer: the layout's version          -                1
//	cases       case                    JSON: the case without its notes       by id            c4f2
//	                                    and recordings
//	recordings  case/place              JSON: the recording, its tracks        as in the case   c4f2/0000
//	                                    without their cues
//	captions    case/recording/language JSON: the track's cues                 by key           c4f2/r1/en
//	notes       case/note               JSON: the note                         by key           c4f2/n17
//	changes     number of the change    JSON: the change                       as they happened 00 00 00 00 00 00 00 2a
//	prepared    case/recording          JSON: what was made of the recording   by key           c4f2/r1
//	shelves     shelf > key             whatever its owner keeps               by key           sessions > 9f…
//
// A note's write touches its own value, the case's head (for its rev) and the
// log, never captions or other notes. "shelves" holds one bucket a shelf.
// "prepared" and "shelves" have no entries in the change log.
//
// What a change keeps of what it replaced and what it wrote, so that it can be
// undone:
//
//	action             before                           after
//	add case           -                                the case without notes and cues
//	change case        the case without notes and cues  the same
//	put note           the note, if there was one       the note
//	drop note          the note                         -
//	attach recording   -                                the recording
//	put captions       annotate.CaptionsEdit            annotate.CaptionsEdit
//	put stills         the stills                       the stills
//	drop case          the whole case                   -
package store
