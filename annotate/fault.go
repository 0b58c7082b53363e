package annotate

import (
	"errors"
	"fmt"
	"strings"
)

// Cause sorts faults by who can mend them; everything that is not a [Fault]
// is the program's own.
type Cause string

// The causes that callers tell apart.
const (
	Missing  Cause = "missing"  // there is no such thing
	Invalid  Cause = "invalid"  // what was given breaks a rule
	Refused  Cause = "refused"  // this person, or this consent, does not allow it
	Conflict Cause = "conflict" // somebody else changed it first
	Busy     Cause = "busy"     // not now: held, full, or still being made
)

// Fault is an error that a person can do something about.
type Fault struct {
	Cause    Cause
	Say      string    // one sentence for people: what happened, to what, what to do
	Problems []Problem // for Invalid: each thing wrong
	Err      error     // the cause, for the log only
}

// Error gives what to say, with the problems under it.
func (f *Fault) Error() string {
	var b strings.Builder
	b.WriteString(f.Say)
	for _, p := range f.Problems {
		b.WriteString("\n  " + p.String())
	}
	return b.String()
}

// Unwrap gives the cause.
func (f *Fault) Unwrap() error { return f.Err }

// Faultf makes a fault of a cause, in a sentence.
func Faultf(c Cause, format string, args ...any) *Fault {
	f := &Fault{Cause: c, Say: fmt.Sprintf(format, args...)}
	for _, a := range args {
		if err, ok := a.(error); ok {
			f.Err = err
		}
	}
	return f
}

// CauseOf gives the cause of the first fault in err's chain, or "".
func CauseOf(err error) Cause {
	if f, ok := errors.AsType[*Fault](err); ok {
		return f.Cause
	}
	return ""
}

// Problem is one thing wrong with a case. Path says where, in the words of the
// case file: "notes[3].to"; Line and Column are set by a reader that knows them.
type Problem struct {
	Path    string `json:"path"`
	Say     string `json:"say"` // what was found and what would be right
	Warning bool   `json:"warning,omitempty"`
	File    string `json:"file,omitempty"`
	Line    int    `json:"line,omitempty"`
	Column  int    `json:"column,omitempty"`
}

// String writes "case.yaml:12:9: notes[3].to: …", or "line 12: …" where neither
// file nor column is known.
func (p Problem) String() string {
	where := p.File
	if p.Line > 0 && p.File == "" {
		where = fmt.Sprintf("line %d", p.Line)
	} else if p.Line > 0 {
		where = fmt.Sprintf("%s:%d", p.File, p.Line)
	}
	if p.Line > 0 && p.Column > 0 {
		where += fmt.Sprintf(":%d", p.Column)
	}
	if where != "" {
		where += ": "
	}
	if p.Path != "" {
		where += p.Path + ": "
	}
	return where + p.Say
}

// Errors gives the problems that are more than warnings.
func Errors(ps []Problem) []Problem {
	var out []Problem
	for _, p := range ps {
		if !p.Warning {
			out = append(out, p)
		}
	}
	return out
}
