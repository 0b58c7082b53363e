// Package annotate is the record of a teaching case: the case, its recordings,
// the time-coded notes on them, and the rules that any of them must meet.
//
// It must not know how a case is stored, searched, shown or sent: no file,
// network, clock, log or randomness is used here. Times of day and new ids are
// handed in by whoever calls.
package annotate
