// Package workshop decides: from a working set of the book and a command, which events follow or why not, and what
// an event changes. The arithmetic is here too: first-expiring-first-out, mixing in a vat, the board, allergens.
//
// Everything is pure. Who asks, what time it is and which ids events get are arguments; what is not in the set is
// reported as missing and loaded by others. How long food keeps is package expiry's to work out, and how events are
// stored is nobody's concern here.
package workshop
