package projections

import (
	"cmp"
	"slices"
	"time"

	"firstout/internal/events"
)

// Rows of which there may be very many come out of the database as they are found and are put in order here: PostgreSQL sorts
// texts and whole rows slower, and on disk where they are more than its work_mem.

// ordered gives rows in the order of keys, one to each row.
func ordered[T, K any](rows []T, keys []K, compare func(a, b K) int) []T {
	at := make([]int, len(rows))
	for i := range at {
		at[i] = i
	}
	slices.SortFunc(at, func(i, j int) int { return compare(keys[i], keys[j]) })
	sorted := make([]T, len(rows))
	for i, from := range at {
		sorted[i] = rows[from]
	}
	return sorted
}

// moment is when a row happened: of two of one instant, the one that was recorded first comes first.
type moment struct {
	at       time.Time
	position int64
	number   int
}

func (m moment) compare(n moment) int {
	return cmp.Or(m.at.Compare(n.at), cmp.Compare(m.position, n.position), cmp.Compare(m.number, n.number))
}

// codeKey is the order of a code: date, sequence and part as numbers, then the kind.
type codeKey struct {
	day, sequence, part int
	code                events.Code
}

func keyOf(code events.Code) codeKey {
	day, sequence, part := code.Numbers()
	return codeKey{day: day, sequence: sequence, part: part, code: code}
}

func (k codeKey) compare(l codeKey) int {
	return cmp.Or(cmp.Compare(k.day, l.day), cmp.Compare(k.sequence, l.sequence), cmp.Compare(k.part, l.part), cmp.Compare(k.code, l.code))
}
