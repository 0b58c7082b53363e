// Package index finds cases, and the seconds in them, by what people type: it
// reads the words with the vocabulary, matches concepts and words over the whole
// case, and gives the best moments within it.
//
// All of it is derived: the folder can be deleted at any time and is filled
// again from the cases. It must not know where cases are stored, who asks, or
// how results are shown; who may see a case arrives as a [Scope].
package index
