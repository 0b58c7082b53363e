// Package casefile reads and writes the plain-file form of a case: case.yaml
// and the names of the films, captions and stills that lie beside it.
//
// It must not know where the files are or what is in them: it opens nothing,
// and leaves the ids of stored cases and the clearing of films to others.
package casefile
