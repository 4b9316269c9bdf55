package workshop

import (
	"fmt"
	"slices"

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
// What was drawn from a charge before has nothing of what comes into it now.
func (d *Desk) madeOf(code events.Code) []events.Code {
	if code.Kind() == events.KindCharge && !d.At.Before(d.Set.Charge(code).LastAt) {
		return []events.Code{code}
	}
	return d.withDownstream(code)
}

// codeSet is the codes in code order, each once.
func codeSet(codes []events.Code) []events.Code {
	return slices.Compact(slices.SortedFunc(slices.Values(codes), events.Code.Compare))
}

// bookShort books as found what the lines of stock lacked, and allocates it.
func (d *Desk) bookShort(place string, t *taking) {
	for _, s := range t.short {
		d.found(place, s)
		t.lines[s.line] = append(t.lines[s.line], events.Allocation{
			Code: s.key.Code, Grade: s.key.Grade, Pieces: int(s.amount), How: s.how, Unreleased: s.key.Unreleased,
		})
	}
}

// bookShortDraws books as found what the drawn lines lacked.
func (d *Desk) bookShortDraws(w *drawing) {
	for _, s := range w.short {
		if s.key.Code.Kind() == events.KindCharge {
			d.bookShortCharge(s.key.Code, s.key.Place, events.Mass(s.amount))
			continue
		}
		d.found(s.key.Place, s)
	}
}

// bookShortCharge books as found what a vat lacked.
func (d *Desk) bookShortCharge(charge events.Code, vat string, lacked events.Mass) {
	d.found(vat, shortage{key: StockKey{Code: charge, Place: vat}, amount: int64(lacked)})
}

func (d *Desk) found(place string, s shortage) {
	had := int64(0)
	if line := d.Set.Line(s.key); line != nil {
		had = line.Amount
	}
	of := events.StockOf{Code: s.key.Code, Grade: s.key.Grade, Unreleased: s.key.Unreleased}
	d.record(d.At, d.site, events.StockCounted{Place: place, Reason: reasonBookShort, Lines: []events.CountedLine{{
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
