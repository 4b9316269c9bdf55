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
func ordered[T, K any](rows []T, keys []K, compare func(a, b *K) int) []T {
	at := make([]int32, len(rows))
	for i := range at {
		at[i] = int32(i)
	}
	slices.SortFunc(at, func(i, j int32) int { return compare(&keys[i], &keys[j]) }) // keys that are handed over themselves would each be put on the heap
	sorted := make([]T, len(rows))
	for i, from := range at {
		sorted[i] = rows[from]
	}
	return sorted
}

// roomFor is a slice with room for one more: where very many rows come, it doubles.
func roomFor[T any](rows []T) []T {
	if len(rows) < cap(rows) {
		return rows
	}
	return slices.Grow(rows, max(64, len(rows)))
}

// moment is when a row happened: of two of one instant, the one that was recorded first comes first.
type moment struct {
	at       int64 // in microseconds
	position int64
	number   int
}

func momentOf(at time.Time, position int64, number int) moment {
	return moment{at: at.UnixMicro(), position: position, number: number}
}

func (m *moment) compare(n *moment) int {
	switch {
	case m.at != n.at:
		return cmp.Compare(m.at, n.at)
	case m.position != n.position:
		return cmp.Compare(m.position, n.position)
	}
	return cmp.Compare(m.number, n.number)
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

func (k *codeKey) compare(l *codeKey) int {
	switch {
	case k.day != l.day:
		return cmp.Compare(k.day, l.day)
	case k.sequence != l.sequence:
		return cmp.Compare(k.sequence, l.sequence)
	case k.part != l.part:
		return cmp.Compare(k.part, l.part)
	}
	return cmp.Compare(k.code, l.code)
}
