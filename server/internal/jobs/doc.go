// Package jobs is the queue of long work: what to do, how often it was tried,
// how far it is. The queue outlives the process: what was being worked on at a
// crash is taken up again.
//
// It must not know what any job does, nor where its entries are kept: both are
// handed in.
package jobs
