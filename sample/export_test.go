package sample

// Moves says whether a concept is drawn.
func Moves(concept string) bool { return moves[concept] != nil }
