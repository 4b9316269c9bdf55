package workshop

import (
	"fmt"
	"slices"
	"time"

	"firstout/internal/events"
)

// What a deviation is about.
const (
	concernSafety  = "safety"
	concernQuality = "quality"
)

// reasonBookShort is the reason of a count that makes up what the book lacked for something done already.
const reasonBookShort = "book_short"

// openBroken opens a deviation for each rule that a fact broke, on the things concerned, and holds what was
// produced from it with everything downstream.
func (d *Desk) openBroken(broken []string, concerned, produced []events.Code) {
	for _, rule := range broken {
		concern := concernSafety
		if rule == string(RefusedNotEnough) || rule == string(RefusedWrongChocolate) {
			concern = concernQuality
		}
		for _, code := range codeSet(concerned) {
			detail := fmt.Sprintf("%s was done though it broke a rule: %s.", code, rule)
			deviation := d.record(d.At, d.site, events.DeviationOpened{Code: code, Concern: concern, Rule: rule, Detail: detail})
			if concern == concernSafety && slices.Contains(produced, code) {
				d.hold(code, d.madeOf(code), rule, detail, &deviation.ID)
			}
		}
	}
}

// madeOf is what a hold that is born of a broken rule takes in: what was produced, and everything downstream of it.
// Of what was drawn from a charge, only what was drawn since has anything of what came into it.
func (d *Desk) madeOf(code events.Code) []events.Code {
	if code.Kind() == events.KindCharge {
		var melted []events.Code
		for _, r := range d.recorded {
			if e, is := r.Data.(events.ChocolateMelted); is {
				melted = append(melted, sourcesOf(e.Inputs)...)
			}
		}
		return codeSet(append(d.drawnSince(melted), code))
	}
	return d.withDownstream(code)
}

// codeSet is the codes in code order, each once.
func codeSet(codes []events.Code) []events.Code {
	sorted := slices.Clone(codes)
	events.SortCodes(sorted)
	return slices.Compact(sorted)
}

// bookShort books as found what the lines of stock lacked, and allocates it.
func (d *Desk) bookShort(place string, t *taking) {
	for _, s := range t.short {
		d.found(place, s, d.At)
		t.lines[s.line] = append(t.lines[s.line], events.Allocation{
			Code: s.key.Code, Grade: s.key.Grade, Pieces: int(s.amount), How: s.how, Unreleased: s.key.Unreleased,
		})
	}
}

// bookShortDraws books as found, at the instant of the draws, what the drawn lines lacked.
func (d *Desk) bookShortDraws(w *drawing, at time.Time) {
	for _, s := range w.short {
		d.found(s.key.Place, s, at)
	}
}

func (d *Desk) found(place string, s shortage, at time.Time) {
	had := int64(0)
	if line := d.Set.Line(s.key); line != nil {
		had = max(0, d.Set.had(line, at))
	}
	of := events.StockOf{Code: s.key.Code, Grade: s.key.Grade, Unreleased: s.key.Unreleased}
	d.record(at, d.site, events.StockCounted{Place: place, Reason: reasonBookShort, Lines: []events.CountedLine{{
		StockOf: of, Found: amount(s.key, had+s.amount), Had: amount(s.key, had),
	}}})
}

// amount is a quantity in the unit of a line of stock.
func amount(key StockKey, n int64) events.Amount {
	if key.Grade != "" {
		return events.Amount{Pieces: int(n)}
	}
	return events.Amount{Quantity: events.Mass(n)}
}
