package projections

import (
	"context"
	"slices"

	"github.com/google/uuid"

	"firstout/internal/events"
	"firstout/internal/workshop"
)

// This file answers what is told beside a trace of the past: what was found of its things, and what had happened to them.

// CareOf is CareOf under the cut, of things on a trace that was folded to be asked for it. Of the events only those that had
// been recorded are given, and not only those that had occurred: a correction may have an event occur earlier.
func (t *PastTrace) CareOf(ctx context.Context, q Querier, codes []events.Code) (Care, error) {
	took := map[uuid.UUID][]events.Code{}
	for _, code := range codes {
		for _, hold := range t.HoldsOf(code) {
			took[hold] = append(took[hold], code)
		}
	}
	return careOf(ctx, q, codes, took, t.past.cut.Known)
}

// HoldsOf lists the holds that stood against a thing on a trace that was folded to be asked for its care.
func (t *PastTrace) HoldsOf(code events.Code) []uuid.UUID { return t.set.HoldsOf(code) }

// HasOccurred says whether an event counts under the cut: whether it had occurred.
func (p *Past) HasOccurred(r events.Recorded) bool { return !r.OccurredAt.After(p.cut.At) }

// Told is Told under the cut, of a trace of it; as CareOf gives events, by when they were recorded.
func (p *Past) Told(ctx context.Context, t Trace, types []string) ([]events.Recorded, error) {
	told, err := Told(ctx, p.q, t, types)
	return slices.DeleteFunc(told, func(r events.Recorded) bool { return r.Position > p.cut.Known }), err
}

// Happenings are what had happened to some things under the cut.
type Happenings struct {
	set *workshop.Set
}

// Happenings folds what had happened to some things.
func (p *Past) Happenings(ctx context.Context, codes []events.Code) (Happenings, error) {
	set, _, err := p.fold(ctx, codes, asking{bare: true})
	return Happenings{set: set}, err
}

// Run is a run or a part of one; nil if there was none.
func (h Happenings) Run(code events.Code) *workshop.Run {
	if !h.set.Exists(code) {
		return nil
	}
	return h.set.Run(code)
}

// PouringsInto is PouringsInto under the cut.
func (h Happenings) PouringsInto(charges []events.Code) map[events.Code][]Pouring {
	into := newPourings()
	var ops []*workshop.ChargeOp
	for _, op := range h.set.Ops.Dirty() {
		if slices.Contains(charges, op.Charge) {
			ops = append(ops, op)
		}
	}
	slices.SortFunc(ops, func(a, b *workshop.ChargeOp) int { return a.Compare(*b) })
	for _, op := range ops {
		into.add(op)
	}
	return into.of
}

// AmountAt is how much there was of a thing when an event happened, by the order of the log within an instant.
func (h Happenings) AmountAt(c Concern) events.Amount {
	var a events.Amount
	for _, m := range h.set.Movements {
		if m.Code != c.Code || m.OccurredAt.After(c.OccurredAt) || m.OccurredAt.Equal(c.OccurredAt) && m.Position > c.Position {
			continue
		}
		if m.Grade == "" {
			a.Quantity += events.Mass(m.Delta)
		} else {
			a.Pieces += int(m.Delta)
		}
	}
	return events.Amount{Pieces: max(0, a.Pieces), Quantity: max(0, a.Quantity)}
}
