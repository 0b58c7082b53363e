// Package sample is an invented library: twelve cases with their narrations,
// the queries that people would type to find them, and schematic films that are
// drawn from the record alone.
//
// It must not know where cases are kept, how a film is encoded or who may see
// it: it hands out files, frames and pictures, and reads no clock.
package sample

import (
	"embed"
	"io/fs"

	"sideport/annotate"
)

//go:embed cases queries.tsv
var files embed.FS

// Case is one invented case as a folder that can be added to a library, once
// its film and its photographs have been drawn beside it.
type Case struct {
	Name   string        // of its folder: "intumescent-white"
	Files  fs.FS         // case.yaml and narration.vtt
	Length annotate.Time // of its film
}

// lengths are the cases in order, with the length of each film in seconds.
var lengths = [...]struct {
	name    string
	seconds annotate.Time
}{
	{"intumescent-white", 9*60 + 45},
	{"posterior-polar", 9*60 + 20},
	{"floppy-iris-ring", 10*60 + 30},
	{"brunescent-leathery-plate", 13*60 + 5},
	{"vitrectomised-myope", 9*60 + 30},
	{"traumatic-subluxation", 13*60 + 40},
	{"nanophthalmos", 10*60 + 40},
	{"uveitic-only-eye", 10 * 60},
	{"corneal-scar", 10*60 + 10},
	{"lamellar-child", 9*60 + 10},
	{"loose-bag-rupture", 13*60 + 50},
	{"outreach-sandwich", 12*60 + 40},
}

// Cases gives the invented cases in order.
func Cases() []Case {
	var out []Case
	for _, l := range lengths {
		sub, err := fs.Sub(files, "cases/"+l.name)
		if err != nil {
			panic(err) // only for a path that is not valid, and these are constants
		}
		out = append(out, Case{Name: l.name, Files: sub, Length: l.seconds * annotate.Second})
	}
	return out
}

// Queries gives the tab-separated table of queries, with a header line: what is
// typed, the case expected, the concept of the note that answers, and its time.
func Queries() []byte {
	b, err := files.ReadFile("queries.tsv")
	if err != nil {
		panic(err) // it is embedded above
	}
	return b
}
