// Package terms is the vocabulary of each specialty: its concepts with their
// synonyms, what is broader than what, which words mean more than one thing,
// and where the words of a text name a concept.
//
// It must not know what a vocabulary is used for: not how a case is searched,
// shown or stored.
package terms
