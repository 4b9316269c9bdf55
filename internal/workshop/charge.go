package workshop

import (
	"cmp"
	"fmt"
	"slices"
	"time"

	"firstout/internal/events"
)

// This file folds what happened to what is in a vat: by time, so that a melt that is written down late is found in
// everything that was drawn after it.

// OpKind is what happened to what is in a charge.
type OpKind string

// The kinds of ChargeOp.
const (
	OpIn    OpKind = "in"    // came in: melted, or shells put back
	OpFilm  OpKind = "film"  // clings: scraped off caps, or left by what was in an uncleaned vat
	OpOut   OpKind = "out"   // was drawn or thrown away
	OpFound OpKind = "found" // came in, of lots that nobody knows, because more was drawn than the book had
	OpEnded OpKind = "ended" // the vat was emptied of whatever was left
)

// What a draw from a charge became in a run.
const (
	useShell = "shell"
	useCap   = "cap"
	useOther = "" // a filling, a decoration, an input
)

// ChargeOp is one thing that happened to what is in a charge. Ops fold by (OccurredAt, Position, Number).
type ChargeOp struct {
	OpKey
	Charge     events.Code
	OccurredAt time.Time
	Kind       OpKind
	Mass       events.Mass // of in, out and found
	Other      events.Code // what it went into or came from, if that has a code
	Use        string      // of a draw for a run: shell or cap
	Mix        Mix         // what came in or clings; of a draw, what was taken
}

// OpKey names a ChargeOp: its event, and its number within that.
type OpKey struct {
	Position int64 `json:"position"`
	Number   int   `json:"number"`
}

// Compare orders what happened to a charge as it folds.
func (o ChargeOp) Compare(p ChargeOp) int {
	return cmp.Or(o.OccurredAt.Compare(p.OccurredAt), cmp.Compare(o.Position, p.Position), cmp.Compare(o.Number, p.Number))
}

// after is a mix once something has happened to it. taken is what was drawn from it.
func (m Mix) after(o ChargeOp) (next, taken Mix, err error) {
	switch o.Kind {
	case OpIn, OpFilm:
		return m.Plus(o.Mix), nil, nil
	case OpFound:
		return m.Plus(Mix{{Mass: o.Mass}}), nil, nil
	case OpEnded:
		return m.Film(), nil, nil
	case OpOut:
		if o.Mass > m.Total() {
			return nil, nil, &tooLittle{code: o.Charge, drawn: o.OpKey, short: int64(o.Mass - m.Total())}
		}
		taken, next = m.Take(o.Mass)
		return next, taken, nil
	}
	return nil, nil, fmt.Errorf("nothing is known of %q in a vat", o.Kind)
}

// AddOps puts what happened to charges into the set, as loaded.
func (s *Set) AddOps(ops []ChargeOp) {
	for _, op := range ops {
		if !s.Ops.Has(op.OpKey) {
			s.Ops.Add(op.OpKey, op)
			s.indexOp(op)
		}
	}
}

func (s *Set) indexOp(op ChargeOp) {
	appendTo(&s.opsOf, op.Charge, op.OpKey)
}

// opsIn lists everything that happened to a charge, in the order in which it folds.
func (s *Set) opsIn(charge events.Code) []ChargeOp {
	s.want(NeedOps(charge))
	keys := s.opsOf.get(charge)
	if keys == nil {
		return nil
	}
	ops := make([]ChargeOp, 0, len(*keys))
	for _, key := range *keys {
		ops = append(ops, *s.Ops.get(key))
	}
	slices.SortFunc(ops, ChargeOp.Compare)
	return ops
}

// chargeAt is the charge that was in a vat at an instant, nil if there was none.
func (s *Set) chargeAt(vat string, at time.Time) *Charge {
	for _, c := range s.chargesOf(vat, at) {
		if !at.Before(c.At) {
			return c
		}
	}
	return nil
}

// chargesOf lists the charges of a vat that had not ended at an instant, oldest first.
func (s *Set) chargesOf(vat string, at time.Time) []*Charge {
	state := s.Vat(vat)
	switch {
	case state.Charge != "" && !at.Before(s.Charge(state.Charge).At):
		return []*Charge{s.Charge(state.Charge)}
	case state.Charge == "" && (state.CleanedAt == nil || !at.Before(*state.CleanedAt)):
		return nil
	}
	s.want(NeedVatAt(vat, at))
	var charges []*Charge
	for _, c := range s.Charges.all() {
		if c.Vat == vat && (c.EndedAt == nil || at.Before(*c.EndedAt)) {
			charges = append(charges, c)
		}
	}
	slices.SortFunc(charges, func(a, b *Charge) int { return cmp.Or(a.At.Compare(b.At), a.Code.Compare(b.Code)) })
	return charges
}

// held is the least and the most that a charge had from an instant on until it was emptied, or until now.
func (s *Set) held(charge *Charge, at time.Time) (least, most events.Mass) {
	if !at.Before(charge.LastAt) {
		has := charge.Mix.Total()
		return has, has
	}
	var has events.Mass
	later := false
	for _, op := range s.opsIn(charge.Code) {
		if !later && op.OccurredAt.After(at) {
			later, least, most = true, has, has
		}
		switch op.Kind {
		case OpIn, OpFound:
			has += op.Mass
		case OpOut:
			has -= op.Mass
		case OpEnded:
			has = 0
		case OpFilm:
		}
		if later && op.Kind == OpEnded {
			break
		}
		least, most = min(least, has), max(most, has)
	}
	if !later {
		least, most = has, has
	}
	return least, most
}

// mixAt is what was in a charge at an instant.
func (s *Set) mixAt(charge *Charge, at time.Time) Mix {
	if !at.Before(charge.LastAt) {
		return charge.Mix
	}
	var mix Mix
	for _, op := range s.opsIn(charge.Code) {
		if op.OccurredAt.After(at) {
			break
		}
		next, _, err := s.next(mix, op)
		if err != nil {
			panic(fault{err: err})
		}
		mix = next
	}
	return mix
}

// availableIn is how much can be drawn from a charge at an instant, so that there was enough for every draw since.
func (d *Desk) availableIn(charge *Charge, at time.Time) events.Mass {
	least, _ := d.Set.held(charge, at)
	return max(0, least-events.Mass(d.takenSince(charge.Code)))
}
