package projections

import (
	"cmp"
	"context"
	"maps"
	"slices"
	"time"

	"github.com/jackc/pgx/v5"

	"firstout/internal/events"
	"firstout/internal/workshop"
)

// This file says what of the book as it stands is as it was under a cut, so that it needs no folding: what nothing reached
// that was recorded after the cut about the time before it. Such a thing's mix, and what was drawn of it then, is in the
// tables; what happened to its stock and what holds it is not looked at.

var (
	pastLate     = query("past_late")
	pastReached  = query("past_reached")
	pastHeld     = query("past_held")
	pastDrawn    = query("past_drawn")
	pastOutside  = query("past_outside")
	pastBackward = query("past_backward")
)

// late is an event that was recorded after a moment and changed what was before it, from an instant on.
type late struct {
	events.Recorded
	since time.Time
}

func scanLate(row pgx.CollectableRow) (l late, err error) {
	var text []byte
	if err = row.Scan(&text, &l.since); err == nil {
		l.Recorded, err = events.ParseCanonical(text)
	}
	return l, err
}

// otherwise gives the wholes that may have been made of something else by the cut than the book as it stands says, or in another
// order: what was touched late around the moment of the cut, and what that went into by then.
func (p *Past) otherwise(ctx context.Context) (map[events.Code]bool, error) {
	moment, position, near, err := p.moment(ctx)
	if err != nil {
		return nil, err
	}
	found, err := collect(ctx, p.q, scanLate, "read what was written down late", pastLate, position, moment, near)
	if err != nil || len(found) == 0 {
		return nil, err
	}
	since := map[events.Code]time.Time{}
	for _, l := range found {
		for _, code := range l.Codes() {
			since[code] = workshop.Earliest(since[code], l.since)
		}
	}
	codes := slices.Collect(maps.Keys(since))
	instants := make([]time.Time, len(codes))
	for i, code := range codes {
		instants[i] = since[code]
	}
	reached, err := collect(ctx, p.q, pgx.RowTo[events.Code], "find what late entries reached", pastReached, codes, instants, moment)
	all := map[events.Code]bool{}
	for _, code := range reached {
		all[code.Whole()] = true
	}
	return all, err
}

// moment is the instant at which the cut ends, the last position recorded by then and the last within a minute after it.
func (p *Past) moment(ctx context.Context) (moment time.Time, position, near int64, err error) {
	recordedAt, err := RecordedAt(ctx, p.q, p.cut.Known)
	if err != nil {
		return moment, 0, 0, err
	}
	moment, position = p.cut.At, p.cut.Known
	if recordedAt.Before(moment) {
		moment = recordedAt
	} else if position, err = PositionAt(ctx, p.q, moment); err != nil {
		return moment, 0, 0, err
	}
	near, err = PositionAt(ctx, p.q, moment.Add(time.Minute))
	return moment, position, near, err
}

// heldEver looks up which of some things anything ever held.
func (g *gathering) heldEver(ctx context.Context, codes []events.Code) error {
	found, err := collect(ctx, g.p.q, pgx.RowTo[events.Code], "find what was held", pastHeld, codes)
	for _, code := range codes {
		g.held[code] = slices.Contains(found, code)
	}
	return err
}

// outside reads what flowed into the wholes from outside, as the book has it.
func (g *gathering) outside(ctx context.Context) (*workshop.Set, error) {
	set := workshop.NewOutside()
	if g.bare {
		return set, nil
	}
	l := loading{set: set}
	codes, positions := g.sources()
	for fresh := codes; len(fresh) > 0; fresh = absent(set, codes) {
		rows, err := g.p.q.Query(ctx, pastOutside, fresh)
		if err != nil {
			return nil, wrap(err, "read what flowed into things")
		}
		var met []events.Code
		if err := eachState(rows, func(code string, state []byte) error {
			met = append(met, events.Code(code))
			return l.addThing(events.Code(code), state)
		}); err != nil {
			return nil, wrap(err, "read what flowed into things")
		}
		if positions != nil {
			ops, err := collect(ctx, g.p.q, scanOp, "read what was drawn", pastDrawn, positions)
			if err != nil {
				return nil, err
			}
			set.AddOps(ops)
			positions = nil
		}
		codes = g.lotsIn(set, met)
	}
	return set, nil
}

// absent lists the codes of lots that a set does not have.
func absent(set *workshop.Set, codes []events.Code) []events.Code {
	return slices.DeleteFunc(codes, func(code events.Code) bool { return set.Lots.Has(code) })
}

// sources lists what flowed into the wholes from outside, as it is named, and the positions at which anything was drawn from
// charges outside.
func (g *gathering) sources() (codes []events.Code, positions []int64) {
	for _, f := range g.flowing() {
		_, from := g.of[f.From]
		if _, to := g.of[f.To]; to && !from {
			codes = append(codes, f.Of, f.From)
			if f.From.Kind() == events.KindCharge {
				positions = append(positions, f.positions...)
			}
		}
	}
	slices.SortFunc(codes, events.Code.Compare)
	slices.Sort(positions)
	return slices.Compact(codes), slices.Compact(positions)
}

// lotsIn lists the lots outside of which what was read is made.
func (g *gathering) lotsIn(set *workshop.Set, things []events.Code) []events.Code {
	lots := map[events.Code]bool{}
	note := func(mix workshop.Mix) {
		for _, part := range mix {
			if _, inside := g.of[part.Lot.Whole()]; part.Lot != "" && !inside {
				lots[part.Lot] = true
			}
		}
	}
	for _, code := range things {
		switch code.Kind() {
		case events.KindLot:
			note(set.Lot(code).Mix)
		case events.KindCharge:
			note(set.Charge(code).Mix)
		case events.KindGanache:
			note(set.Ganache(code).Mix)
		default: // what has pieces is inside
		}
	}
	for _, op := range set.Ops.Dirty() {
		note(op.Mix)
	}
	return slices.Collect(maps.Keys(lots))
}

// backward gives the edges among what is outside over which came what flowed in.
func (g *gathering) backward(ctx context.Context, edges []workshop.Edge) ([]workshop.Edge, error) {
	var sources []events.Code
	isIn := func(code events.Code) bool { _, inside := g.of[code.Whole()]; return inside }
	for _, e := range edges {
		if e.From != "" && !isIn(e.From) && isIn(e.To) {
			sources = append(sources, e.From)
		}
	}
	if len(sources) == 0 {
		return nil, nil
	}
	slices.SortFunc(sources, cmp.Compare)
	found, err := collect(ctx, g.p.q, scanEdge, "walk back", pastBackward, slices.Compact(sources), g.p.cut.At)
	return slices.DeleteFunc(found, func(e workshop.Edge) bool { return e.From != "" && isIn(e.From) || isIn(e.To) }), err
}
