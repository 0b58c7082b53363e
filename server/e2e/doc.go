// Package e2e holds the journeys of whole people through the whole program: the
// real binary as a child process, a real browser, real films. It has tests only.
//
// It must not know how anything is done inside; it sees pages, files, exit codes
// and what stands in the log.
package e2e
