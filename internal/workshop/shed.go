package workshop

import (
	"time"

	"github.com/google/uuid"

	"firstout/internal/civil"
	"firstout/internal/events"
)

// Shed takes out of a complete set what is finished: things of which nothing stands anywhere and nothing that stands is made,
// what is said of them, and the counters of days gone by. They come back in a set of their own, to be written down. So a
// book can be told from its beginning that is far larger than the memory. Whatever happened, was made or opened from since
// on stays. Nothing that is told later may name what was shed: the set says that it does not exist.
func (s *Set) Shed(since time.Time) *Set {
	stays := s.inUse(since)
	gone := NewSet(s.Defs, true)
	code := func(code events.Code) bool { return !stays[code] }
	shift(&s.Lots, &gone.Lots, func(c events.Code, _ *Lot) bool { return code(c) })
	shift(&s.Charges, &gone.Charges, func(c events.Code, _ *Charge) bool { return code(c) })
	shift(&s.Ganaches, &gone.Ganaches, func(c events.Code, _ *Ganache) bool { return code(c) })
	shift(&s.Runs, &gone.Runs, func(c events.Code, _ *Run) bool { return code(c) })
	shift(&s.Boxes, &gone.Boxes, func(c events.Code, _ *Box) bool { return code(c) })
	shift(&s.Stock, &gone.Stock, func(k StockKey, _ *StockLine) bool { return code(k.Code) })
	shift(&s.lines, &gone.lines, func(c events.Code, _ *[]StockKey) bool { return code(c) })
	shift(&s.Ops, &gone.Ops, func(_ OpKey, op *ChargeOp) bool { return code(op.Charge) })
	shift(&s.opsOf, &gone.opsOf, func(c events.Code, _ *[]OpKey) bool { return code(c) })
	shift(&s.flows, &gone.flows, func(c events.Code, _ *[]Edge) bool { return code(c) })
	shift(&s.counts, &gone.counts, func(k countKey, _ *[]time.Time) bool { return code(k.code) })
	shift(&s.Holds, &gone.Holds, func(_ uuid.UUID, h *Hold) bool { return h.LiftedAt != nil && h.LiftedAt.Before(since) })
	shift(&s.Deviations, &gone.Deviations, func(_ uuid.UUID, d *Deviation) bool { return d.DecidedAt != nil && d.DecidedAt.Before(since) })
	shift(&s.Sequences, &gone.Sequences, func(k SequenceKey, _ *int) bool {
		return k.Day.AddDays(2).Before(civil.DayOf(since, time.UTC)) // no zone is two days from another
	})
	clear(s.loaded)
	return gone
}

// shift moves the rows of one layer that are gone into another.
func shift[K comparable, V any](from, to *layer[K, V], gone func(K, *V) bool) {
	for key, row := range from.rows {
		if gone(key, row) {
			to.rows[key], to.dirty[key] = row, struct{}{}
			delete(from.rows, key)
			delete(from.dirty, key)
		}
	}
}

// inUse is every thing that something may still be told of.
func (s *Set) inUse(since time.Time) map[events.Code]bool {
	u := using{Set: s, stays: map[events.Code]bool{}}
	for key, line := range s.Stock.rows {
		if line.Amount > 0 || line.LastAt.After(since) {
			u.visit(key.Code)
		}
	}
	for code, charge := range s.Charges.rows {
		if charge.EndedAt == nil || charge.EndedAt.After(since) {
			u.visit(code)
		}
	}
	for code, run := range s.Runs.rows {
		if run.State != StateTurnedOut {
			u.visit(code)
		}
	}
	for _, hold := range s.Holds.rows {
		if hold.LiftedAt == nil {
			u.visit(hold.Code)
			for _, code := range hold.Codes {
				u.visit(code)
			}
		}
	}
	for _, deviation := range s.Deviations.rows {
		if deviation.DecidedAt == nil && deviation.Code != "" {
			u.visit(deviation.Code)
		}
	}
	return u.stays
}

// using follows from what is in use to what it is made of.
type using struct {
	*Set
	stays map[events.Code]bool
}

func (u using) visit(code events.Code) {
	if code == "" || u.stays[code] {
		return
	}
	u.stays[code] = true
	whole := code.Whole()
	u.visit(whole)
	if code == whole {
		for n := 1; n <= u.alike(code).parts; n++ {
			u.visit(code.Part(n))
		}
	}
	switch code.Kind() {
	case events.KindLot:
		if lot := u.Lots.get(code); lot != nil {
			u.made(lot.Mix)
		}
	case events.KindCharge:
		if charge := u.Charges.get(code); charge != nil {
			u.made(charge.Mix)
		}
	case events.KindGanache:
		if ganache := u.Ganaches.get(code); ganache != nil {
			u.made(ganache.Mix)
			u.dated(ganache.Dated)
		}
	case events.KindRun:
		if run := u.Runs.get(code); run != nil {
			u.made(run.Mix)
			u.dated(run.Straight)
			for _, ganache := range run.Ganaches {
				u.visit(ganache)
			}
		}
	case events.KindBox:
		if box := u.Boxes.get(code); box != nil {
			for _, run := range box.Runs() {
				u.visit(run)
			}
		}
	default: // nothing else is in the book
	}
}

func (u using) made(mix Mix) {
	for _, p := range mix {
		u.visit(p.Lot)
	}
}

func (u using) dated(inputs []DatedInput) {
	for _, in := range inputs {
		u.visit(in.Source)
	}
}
