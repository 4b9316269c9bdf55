package workshop

import (
	"github.com/google/uuid"

	"firstout/internal/civil"
	"firstout/internal/events"
)

// DecideDeviation says what is to be done about a deviation: safety is the owner's to decide, quality the maker's
// or the owner's.
type DecideDeviation struct {
	Done
	Deviation uuid.UUID
	Decision  string // accept, shorten, rework or discard
	Date      *civil.Day
	Reason    string
}

// The decisions.
const (
	DecisionAccept  = "accept"
	DecisionShorten = "shorten"
	DecisionRework  = "rework"
	DecisionDiscard = "discard"
)

// DeviationAnswer is the answer.
type DeviationAnswer struct{ Deviation *Deviation }

// Needs is the deviation.
func (c DecideDeviation) Needs() []Need { return []Need{NeedDeviation(c.Deviation)} }

// Alone says that a decision to shorten looks at what was made of a thing.
func (c DecideDeviation) Alone() bool { return c.Decision == DecisionShorten }

// Decide writes the decision and what follows from it: a shorter date, the hold that came with the deviation
// lifted, or, for what is to be reworked or discarded, a hold until that is done.
func (c DecideDeviation) Decide(d *Desk) (any, *Refusal) {
	deviation := d.Set.Deviation(c.Deviation)
	var rs refusals
	if deviation == nil || !d.knowsOf(deviation.Site, deviation.Code) {
		rs.add(RefusedUnknownCode, Facts{"deviation": c.Deviation}, "There is no deviation %s in the book.", c.Deviation)
		return nil, inURL(rs[0])
	}
	if deviation.Concern == concernSafety && !d.Actor.Is(roleOwner) {
		return nil, forbidden("A safety deviation is the owner's to decide: ask the owner.")
	}
	d.atSite(deviation.Site, &rs)
	d.happened(c.Done, &rs)
	d.opened(deviation.ID, deviation.OpenedAt, &rs)
	if deviation.Decision != nil {
		rs.add(RefusedWrongState, Facts{"deviation": c.Deviation}, "This deviation is decided already.")
	}
	if first := rs.first(); first != nil {
		return nil, first
	}
	if wrong := c.checkDate(d, deviation); wrong != nil {
		return nil, wrong
	}
	d.record(d.At, d.site, events.DeviationDecided{
		Deviation: c.Deviation, Code: deviation.Code, Decision: c.Decision, Date: c.Date, Reason: c.Reason,
	})
	c.follow(d, deviation)
	return DeviationAnswer{Deviation: d.Set.Deviation(c.Deviation)}, nil
}

func (c DecideDeviation) checkDate(d *Desk, deviation *Deviation) *Refusal {
	if (c.Decision == DecisionShorten) != (c.Date != nil) {
		return invalid("/date", "Shorten needs the new date, and no other decision takes one.")
	}
	if c.Date == nil {
		return nil
	}
	if deviation.Code == "" || deviation.Code.Kind() == events.KindCharge {
		return invalid("/decision", "This deviation is of a place or a tank, which has no date: decide about the things made there.")
	}
	if old := d.Set.expiryOf(deviation.Code); old.Date != nil && c.Date.After(*old.Date) {
		return invalid("/date", "%s is later than the date of %s it has: a decision can only shorten it.", c.Date, old.Date)
	}
	return nil
}

func (c DecideDeviation) follow(d *Desk, deviation *Deviation) {
	if deviation.Code == "" { // of a place: what is held of what stood there waits until it is dealt with
		if deviation.Hold != nil && c.Decision == DecisionAccept {
			d.liftHold(d.Set.Hold(*deviation.Hold), c.Reason)
		}
		return
	}
	switch c.Decision {
	case DecisionShorten:
		d.shorten(deviation.Code, *c.Date, "deviation_decided", deviation.Detail)
		d.liftBornOf(deviation, c.Reason)
	case DecisionAccept:
		d.liftBornOf(deviation, c.Reason)
	case DecisionRework, DecisionDiscard:
		if len(d.holdsBornOf(deviation)) == 0 {
			d.hold(deviation.Code, d.withBoxes(d.withParts(deviation.Code)), "decided_"+c.Decision, c.Reason, &deviation.ID)
		}
	}
}

// liftBornOf lifts the holds that came with a deviation.
func (d *Desk) liftBornOf(deviation *Deviation, reason string) {
	for _, hold := range d.holdsBornOf(deviation) {
		d.liftHold(hold, reason)
	}
}

// liftHold lifts a hold that nobody has lifted yet.
func (d *Desk) liftHold(hold *Hold, reason string) {
	if hold.LiftedAt == nil {
		d.record(d.At, d.site, events.HoldLifted{Hold: hold.ID, Codes: hold.Codes, Reason: reason})
	}
}

// holdsBornOf lists the open holds that came with a deviation.
func (d *Desk) holdsBornOf(deviation *Deviation) []*Hold {
	var born []*Hold
	for _, id := range d.Set.careOf(deviation.Code).Holds {
		if hold := d.Set.Hold(id); hold.Deviation != nil && *hold.Deviation == deviation.ID {
			born = append(born, hold)
		}
	}
	return born
}
