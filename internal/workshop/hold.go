package workshop

import (
	"slices"

	"github.com/google/uuid"

	"firstout/internal/events"
)

// PlaceHold takes a thing out of use, or with Downstream everything made of it too. Anyone may place one.
type PlaceHold struct {
	Done
	Code       events.Code
	Downstream bool
	Reason     string
}

// HoldAnswer is the answer to PlaceHold and LiftHold.
type HoldAnswer struct{ Hold *Hold }

// Needs is the thing, and what was made of it.
func (c PlaceHold) Needs() []Need {
	needs := []Need{NeedThing(c.Code)}
	if c.Downstream {
		needs = append(needs, NeedDownstream(c.Code))
	}
	return needs
}

// Alone says that a hold downstream looks wider than an ordinary command.
func (c PlaceHold) Alone() bool { return c.Downstream }

// Decide holds the thing.
func (c PlaceHold) Decide(d *Desk) (any, *Refusal) {
	var rs refusals
	d.happened(c.Done, &rs)
	if !d.knows(c.Code) {
		rs.unknownCode(c.Code)
		return nil, rs.first()
	}
	d.atThing(c.Code, &rs)
	d.existed(c.Code, d.Set.since(c.Code), d.At, &rs)
	if first := rs.first(); first != nil {
		return nil, first
	}
	codes := d.withBoxes(d.withParts(c.Code))
	if c.Downstream {
		codes = d.withDownstream(c.Code)
	}
	hold := d.record(d.At, d.site, events.HoldPlaced{Code: c.Code, Downstream: c.Downstream, Reason: c.Reason, Codes: codes})
	return HoldAnswer{Hold: d.Set.Hold(hold.ID)}, nil
}

// hold records a hold that follows from something else.
func (d *Desk) hold(code events.Code, codes []events.Code, cause, reason string, deviation *uuid.UUID) {
	d.record(d.At, d.site, events.HoldPlaced{
		Code: code, Downstream: len(codes) > 1, Reason: reason, Cause: cause, Deviation: deviation, Codes: codes,
	})
}

// withDownstream is a thing, its parts, and everything that it went into: by the book, and by what is being decided
// now and is not in the book yet.
func (d *Desk) withDownstream(code events.Code) []events.Code {
	codes := d.withParts(code)
	if !d.bornNow(code) {
		codes = append(codes, d.Set.DownstreamOf(code)...)
	}
	codes = append(codes, d.Set.reachedFrom(codes)...)
	return codeSet(append(codes, d.drawnSince(codes)...))
}

// drawnSince lists what was drawn from tanks after what this command brought into them from some things: what is
// written down late is found in it.
func (d *Desk) drawnSince(from []events.Code) []events.Code {
	w := spreading{set: d.Set}
	for _, r := range d.recorded {
		for number := 0; ; number++ {
			op := d.Set.Ops.get(OpKey{Position: r.Position, Number: number})
			if op == nil {
				break
			}
			if (op.Kind == OpIn || op.Kind == OpFilm) && slices.Contains(from, op.Other) {
				w.outOf(*op)
			}
		}
	}
	return w.reached
}

// bornNow says whether a thing came to be in this very command.
func (d *Desk) bornNow(code events.Code) bool {
	return slices.ContainsFunc(d.recorded, func(r events.Recorded) bool { return slices.Contains(madeBy(r.Data), code) })
}

// reachedFrom follows the edges that the set's own events made, in their order.
func (s *Set) reachedFrom(codes []events.Code) []events.Code {
	var edges []Edge
	for at := s; at != nil; at = at.parent {
		edges = append(slices.Clone(at.Edges), edges...)
	}
	reached := slices.Clone(codes)
	for _, e := range edges {
		if slices.Contains(reached, e.From) && !slices.Contains(reached, e.To) {
			reached = append(reached, e.To)
		}
	}
	return reached[len(codes):]
}

// madeBy lists the codes that an event brought into the book.
func madeBy(data events.Event) []events.Code {
	switch e := data.(type) {
	case events.IngredientReceived:
		return []events.Code{e.Lot}
	case events.PortionOpened:
		return []events.Code{e.Portion}
	case events.ChocolateMelted:
		if e.NewCharge {
			return []events.Code{e.Charge}
		}
	case events.GanacheMade:
		return []events.Code{e.Ganache}
	case events.StockMoved:
		return partsIn(e.Lines)
	case events.BoxesPacked:
		return []events.Code{e.Box}
	case events.BoxesOpened:
		return unboxedParts(e.Lines)
	case events.RunStarted:
		return []events.Code{e.Run}
	case events.ShellsCast:
		if e.Start != nil {
			return []events.Code{e.Run}
		}
	case events.PiecesDecorated:
		if e.Start != nil {
			return []events.Code{e.Run}
		}
	}
	return nil
}

// partsIn lists the parts that lines of stock became.
func partsIn(lines []events.MovedLine) []events.Code {
	var parts []events.Code
	for _, l := range lines {
		if l.NewCode != "" {
			parts = append(parts, l.NewCode)
		}
	}
	return parts
}

// unboxedParts lists the parts that pieces out of boxes became.
func unboxedParts(lines []events.UnboxedLine) []events.Code {
	var parts []events.Code
	for _, l := range lines {
		if l.NewCode != "" {
			parts = append(parts, l.NewCode)
		}
	}
	return parts
}

// LiftHold gives back what a hold took in. The owner lifts.
type LiftHold struct {
	Done
	Hold   uuid.UUID
	Reason string
}

// Needs is the hold.
func (c LiftHold) Needs() []Need { return []Need{NeedHold(c.Hold)} }

// Decide lifts the hold, once; or again, where by a correction since it turns out to have taken in more than was lifted.
func (c LiftHold) Decide(d *Desk) (any, *Refusal) {
	hold := d.Set.Hold(c.Hold)
	var rs refusals
	if hold == nil || !d.knowsOf(hold.Site, hold.Codes...) {
		rs.add(RefusedUnknownCode, Facts{"hold": c.Hold}, "There is no hold %s in the book.", c.Hold)
		return nil, inURL(rs[0])
	}
	d.atSite(hold.Site, &rs)
	d.happened(c.Done, &rs)
	d.opened(hold.ID, hold.PlacedAt, &rs)
	if hold.LiftedAt != nil && !slices.ContainsFunc(hold.Codes, func(code events.Code) bool { return slices.Contains(d.Set.careOf(code).Holds, hold.ID) }) {
		rs.add(RefusedWrongState, Facts{"hold": c.Hold, "lifted_at": hold.LiftedAt}, "This hold is lifted already.")
	}
	if first := rs.first(); first != nil {
		return nil, first
	}
	d.record(d.At, d.site, events.HoldLifted{Hold: c.Hold, Codes: hold.Codes, Reason: c.Reason})
	return HoldAnswer{Hold: d.Set.Hold(c.Hold)}, nil
}
