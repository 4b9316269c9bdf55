package workshop

import (
	"iter"
	"slices"
	"time"

	"firstout/internal/events"
)

// This file answers what stood where at an earlier moment, for what is written down late. A count is an anchor: it
// says what there was, whatever is written down later of the time before it.

// laterMovements is what was loaded of a code: its movements after an instant.
type laterMovements struct {
	from time.Time
	rows []Movement
}

// AddLater puts the movements of a code after an instant into the set, as the book has them.
func (s *Set) AddLater(code events.Code, from time.Time, rows []Movement) {
	s.later[code] = laterMovements{from: from, rows: rows}
}

// movedAfter goes through the movements of a code that are dated after an instant: the book's, and those of what is
// being decided and not in the book yet.
func (s *Set) movedAfter(code events.Code, at time.Time) iter.Seq[Movement] {
	s.want(NeedLater(code, at))
	return func(yield func(Movement) bool) {
		if s.keeps(code) {
			if moved := s.kept.get(code); moved != nil {
				for _, m := range *moved {
					if m.OccurredAt.After(at) && !yield(m) {
						return
					}
				}
			}
			return
		}
		for _, m := range s.later[code].rows {
			if m.OccurredAt.After(at) && !yield(m) {
				return
			}
		}
		for set := s; set != nil; set = set.parent {
			for _, m := range set.Movements {
				if m.Code == code && m.OccurredAt.After(at) && !yield(m) {
					return
				}
			}
		}
	}
}

// had is how much of a line of stock the book had at an instant. What was sold of more than there was then can make
// it less than nothing.
func (s *Set) had(line *StockLine, at time.Time) int64 {
	had := line.Amount
	if !line.LastAt.After(at) {
		return had
	}
	for m := range s.movedAfter(line.Code, at) {
		if m.StockKey == line.StockKey {
			had -= m.Delta
		}
	}
	return had
}

// countedAfter says whether a count has said since an instant what there is of a line.
func (l *StockLine) countedAfter(at time.Time) bool {
	return l.CountedAt != nil && at.Before(*l.CountedAt)
}

// countKey names what a count counts: a thing and grade at a place, released or not.
type countKey struct {
	code         events.Code
	place, grade string
}

func (k StockKey) counted() countKey { return countKey{code: k.Code, place: k.Place, grade: k.Grade} }

// nextCount is the first count of a thing and grade at a place after an instant.
func (s *Set) nextCount(of countKey, at time.Time) (next time.Time, found bool) {
	if s.folds(of.code) { // a book being folded lets go of its movements
		if counts := s.counts.get(of); counts != nil {
			if i, exact := slices.BinarySearchFunc(*counts, at, time.Time.Compare); i < len(*counts) && !exact {
				return (*counts)[i], true
			} else if exact && i+1 < len(*counts) {
				return (*counts)[i+1], true
			}
		}
		return next, false
	}
	for m := range s.movedAfter(of.code, at) {
		if m.Cause == CauseCounted && m.counted() == of && (!found || m.OccurredAt.Before(next)) {
			next, found = m.OccurredAt, true
		}
	}
	return next, found
}

// noteCount remembers a count in a book that is being folded.
func (s *Set) noteCount(of countKey, at time.Time) {
	if !s.folds(of.code) {
		return
	}
	var counts []time.Time
	if known := s.counts.get(of); known != nil {
		counts = *known
	}
	if i, exact := slices.BinarySearchFunc(counts, at, time.Time.Compare); !exact {
		s.counts.put(of, slices.Insert(slices.Clone(counts), i, at))
	}
}

// available is how much may be taken of a line at an instant: what the book had there then and, unless a count has
// said since what there is, no more than there is now. What is in a vat must do for every draw since.
func (d *Desk) available(line *StockLine, at time.Time) int64 {
	if line.Code.Kind() == events.KindCharge {
		return int64(d.availableIn(d.Set.Charge(line.Code), at))
	}
	had := d.Set.had(line, at)
	if !line.countedAfter(at) {
		had = min(had, line.Amount)
	}
	return max(0, had-d.takenSince(line.Code))
}

// takenSince is what others took since of what is decided now where a corrected command stands: of what is decided
// as the book stands, nothing.
func (d *Desk) takenSince(code events.Code) int64 {
	if d.past == nil {
		return 0
	}
	return d.past.spare[code]
}
