// Package oracle is a second book: the whole workshop kept in memory the slowest way that can be understood. It
// was written from the rules alone, imports nothing of the product, and recomputes everything from the list of what
// was accepted, in the order in which it happened. Random histories are told to both, and every answer compared: what
// both say wrongly in the same way nobody would see, so the two share no code, not even that of dates and codes.
//
// It is no part of the product: its tests alone use it.
package oracle
