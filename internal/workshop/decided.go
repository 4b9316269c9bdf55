package workshop

import (
	"slices"

	"firstout/internal/civil"
	"firstout/internal/events"
	"firstout/internal/expiry"
)

// Redate gives a thing another date because somebody says so: an earlier one, or, said by an owner, a later one than
// an earlier decision had set.
type Redate struct {
	Done
	Code   events.Code
	Date   civil.Day
	Reason string
}

// RedateAnswer is the answer: every thing whose date changed.
type RedateAnswer struct{ Redated []events.Redated }

// Needs is the thing.
func (c Redate) Needs() []Need { return []Need{NeedThing(c.Code)} }

// Alone says that a new date looks at what was made of a thing.
func (c Redate) Alone() bool { return true }

// causeDecided is why a date changed that a person changed.
const causeDecided = "decided"

// Decide redates the thing: earlier with its parts and what its date was passed on to, later alone.
func (c Redate) Decide(d *Desk) (any, *Refusal) {
	var rs refusals
	d.happened(c.Done, &rs)
	if !d.knows(c.Code) {
		rs.unknownCode(c.Code)
		return nil, rs.first()
	}
	if c.Code.Kind() == events.KindCharge {
		rs.add(RefusedWrongKind, Facts{"code": c.Code}, "%s is what is in a tank, which has no date of its own: name what was made of it.", c.Code)
		return nil, rs.first()
	}
	d.atThing(c.Code, &rs)
	d.existed(c.Code, d.Set.since(c.Code), d.At, &rs)
	if first := rs.first(); first != nil {
		return nil, first
	}
	old := d.Set.expiryOf(c.Code)
	switch {
	case old.Date != nil && c.Date == *old.Date:
		return nil, invalid("/date", "%s has that date already.", c.Code)
	case old.Date == nil || c.Date.After(*old.Date):
		if refusal := c.lengthen(d, old); refusal != nil {
			return nil, refusal
		}
	default:
		d.shorten(c.Code, c.Date, causeDecided, c.Reason)
	}
	var answer RedateAnswer
	for _, r := range d.recorded {
		if redated, is := r.Data.(events.Redated); is {
			answer.Redated = append(answer.Redated, redated)
		}
	}
	return answer, nil
}

// lengthen records a later date, if it is an owner who says so and no limit forbids it.
func (c Redate) lengthen(d *Desk, old events.Expiry) *Refusal {
	if !d.Actor.Is(roleOwner) {
		return forbidden("A later date is the owner's to decide: ask the owner.")
	}
	now := recordedExpiry(expiry.Lengthen(answerOf(old), c.Date, c.Reason, d.zone(d.site)))
	if (now.Date == nil || now.Date.Before(c.Date)) && c.Code.Kind() != events.KindLot && !c.Code.IsPart() {
		anew, dated := d.dateAnew(c.Code) // as it would be dated by what is known now
		if dated && anew.Date != nil && (now.Date == nil || anew.Date.After(*now.Date)) {
			now = d.shortened(anew, c.Date, c.Reason)
		}
	}
	if now.Date == nil {
		return invalid("/date", "%s has no date by what is known of it: it waits for an assessment, or has less than a whole day.", c.Code)
	}
	if now.Date.Before(c.Date) {
		return invalid("/date", "%s keeps no longer than its limits say, and %s binds it to %s: a decision can take back an earlier one, and follow what was measured since.",
			c.Code, now.Binds, now.Date)
	}
	d.record(d.At, d.site, events.Redated{Code: c.Code, Old: old.Date, Cause: causeDecided, Expiry: now})
	return nil
}

// shorten redates a thing, its parts, and what a ganache's date was passed on to, where they have a later date.
func (d *Desk) shorten(code events.Code, last civil.Day, cause, reason string) {
	codes := d.withParts(code)
	if code.Kind() == events.KindGanache {
		codes = append(codes, slices.DeleteFunc(slices.Clone(d.Set.DownstreamOf(code)), func(made events.Code) bool {
			return !slices.ContainsFunc(d.Set.expiryOf(made).Limits, func(l events.Limit) bool { return l.Subject == string(code) })
		})...)
	}
	for _, each := range codeSet(codes) {
		old := d.Set.expiryOf(each)
		if each != code && (old.Date == nil || !old.Date.After(last)) {
			continue
		}
		d.record(d.At, d.site, events.Redated{Code: each, Old: old.Date, Cause: cause, Expiry: d.shortened(old, last, reason)})
	}
}

// shortened is a date that a decision made earlier.
func (d *Desk) shortened(e events.Expiry, last civil.Day, reason string) events.Expiry {
	return recordedExpiry(expiry.Shorten(answerOf(e), last, reason, d.zone(d.site)))
}
