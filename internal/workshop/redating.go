package workshop

import (
	"fmt"
	"slices"
	"time"

	"firstout/internal/events"
	"firstout/internal/expiry"
)

// This file is about what a temperature that was read, or was not, leads to: dates move earlier, what stands where nobody
// read for too long is held, and what became too warm is to be looked at.

// Why a date changed, or a deviation was opened, by what was read.
const (
	causeReading = "storage_reading"
	causeGap     = "storage_gap" // nobody read, or could
	ruleLook     = "above_25"
)

// A following is a reading being followed.
type following struct {
	*storing
	reading Reading
	whole   bool // it comes late, or nobody says where it was read: things are redated whole, wherever they stand
	parts   map[events.Code]int
	parting events.StockMoved
	partAt  time.Time
	redated []events.Redated
}

func (d *Desk) following(place string, r Reading) *following {
	f := &following{storing: d.storingAt(place, justBefore(r.From), r.At), reading: r, parts: map[events.Code]int{}, partAt: d.At}
	f.parting = events.StockMoved{From: place, To: place}
	f.whole = f.over.to.After(r.At)
	return f
}

// followPlace records what a reading of a place leads to: for one that is as it should be, and as the one before was,
// nothing, and nothing is looked at.
func (d *Desk) followPlace(place string, r Reading) {
	w, _ := d.watchOf(place, r.At)
	near := d.Set.ReadingsOf(place, justBefore(r.From))
	if isCalm(w, near, r) {
		return
	}
	f := d.following(place, r)
	codes := f.wasThere()
	var unread []events.Code
	gap := time.Duration(0)
	for _, code := range codes {
		length := f.unreadFor(code, r)
		if length > expiry.LongestGap && !f.whole && d.isAt(code, place) {
			unread, gap = append(unread, code), max(gap, length)
		}
		cause := causeReading
		if r.Failed || length > expiry.LongestGap {
			cause = causeGap
		}
		f.redate(code, cause)
	}
	f.record()
	f.tooLong()
	f.hold(unread, gap)
	f.look(near)
}

// followThing records what a reading of a thing itself leads to, wherever it stands.
func (d *Desk) followThing(code events.Code, r Reading) {
	if code.Kind() == events.KindLot || code.Kind() == events.KindCharge {
		return
	}
	var places []string
	for _, line := range d.Set.LinesOf(code) {
		if line.Amount > 0 && !slices.Contains(places, line.Place) {
			places = append(places, line.Place)
		}
	}
	for _, place := range places {
		w, known := d.watchOf(place, r.At)
		if !known || r.TemperatureC <= w.MaxC() {
			continue
		}
		f := d.following(place, r)
		f.whole = true
		f.loadFor([]events.Code{code})
		f.redate(code, causeReading)
		f.record()
	}
}

func (d *Desk) isAt(code events.Code, place string) bool {
	return slices.ContainsFunc(d.Set.LinesOf(code), func(l *StockLine) bool { return l.Place == place && l.Amount > 0 })
}

// redate works out what a thing has lost, and notes its earlier date. Where some of it stands elsewhere and none has left
// since, what stands at the place parts from the rest.
func (f *following) redate(code events.Code, cause string) {
	set := f.d.Set
	found := f.found(code)
	if len(found) == 0 || code.Kind() == events.KindLot {
		return
	}
	thing := set.alike(code)
	spells := replaced(thing.spells, found, f.place, f.over)
	old := answerOf(thing.expiry)
	now := f.d.warmed(code, old, spells)
	if !goneEarlier(old, now) {
		return
	}
	elsewhere := slices.ContainsFunc(set.LinesOf(code), func(l *StockLine) bool { return l.Amount > 0 && l.Place != f.place })
	if elsewhere && !f.whole && f.d.isAt(code, f.place) && !f.left(code, found[0].From) {
		f.part(code, thing, recordedExpiry(now), spells)
		return
	}
	f.redated = append(f.redated, events.Redated{Code: code, Old: thing.expiry.Date, Cause: cause, Expiry: recordedExpiry(now), Spells: spells})
}

// part notes that what stands at the place goes on under a code of its own.
func (f *following) part(code events.Code, thing alike, dated events.Expiry, spells []events.Spell) {
	whole := code.Whole()
	f.parts[whole]++
	part := f.d.newPart(whole, f.d.Set.alike(whole).parts+f.parts[whole])
	for _, line := range f.d.Set.LinesOf(code) {
		if line.Place != f.place || line.Amount == 0 {
			continue
		}
		f.partAt = later(f.partAt, line.LastAt)
		f.parting.Lines = append(f.parting.Lines, events.MovedLine{
			StockOf: events.StockOf{Code: line.Code, Grade: line.Grade, Unreleased: line.Unreleased},
			Amount:  amount(line.StockKey, line.Amount), NewCode: part, Expiry: &dated,
			Parting: &events.Parting{Cause: events.PartedOutOfClass, Freezing: thing.Frozen, Spells: spells},
		})
	}
}

// record writes down what was noted: one event for all that parts, and one for each thing that is redated.
func (f *following) record() {
	if len(f.parting.Lines) > 0 {
		f.d.record(f.partAt, f.d.site, f.parting)
	}
	for _, redated := range f.redated {
		f.d.record(f.d.At, f.d.Set.siteOf(redated.Code), redated)
	}
	for _, redated := range f.redated {
		if redated.Code.Kind() == events.KindGanache {
			f.passOn(redated)
		}
	}
}

// tooLong opens a deviation of safety where a temperature is within the place's tolerance, and was so for too long.
func (f *following) tooLong() {
	d, r := f.d, f.reading
	opened := slices.ContainsFunc(d.recorded, func(r events.Recorded) bool { return r.Data.EventType() == events.DeviationOpened{}.EventType() })
	if opened || r.TemperatureC <= f.watch.MaxC() || len(f.redated)+len(f.parting.Lines) == 0 {
		return
	}
	d.record(d.At, d.site, events.DeviationOpened{
		Place: f.place, Concern: concernSafety, Rule: checkTemperature, Value: &r.TemperatureC,
		Detail: fmt.Sprintf("%g °C at %s is within its tolerance, but it was warmer than its class for longer than that allows.", r.TemperatureC, f.name()),
	})
}

// passOn redates what a filling went into after it had begun to lose: before the reading came, and with the date that it
// had then. What was filled before that keeps its date.
func (f *following) passOn(filling events.Redated) {
	d, began := f.d, f.found(filling.Code)[0].From
	drawn := func(l *StockLine) bool { return l.LastAt.After(began) }
	if !slices.ContainsFunc(d.Set.LinesOf(filling.Code), drawn) {
		return
	}
	d.redateFrom(d.Set.DownstreamOf(filling.Code), filling.Cause, "its filling stood too warm")
}

// hold takes out of use what stood where nobody had read for too long.
func (f *following) hold(codes []events.Code, gap time.Duration) {
	if len(codes) == 0 {
		return
	}
	d := f.d
	detail := fmt.Sprintf("Nobody read the temperature of %s for %s: nothing can be said of what stood there.", f.name(), hoursLong(gap))
	opened := d.record(d.At, d.site, events.DeviationOpened{Place: f.place, Concern: concernSafety, Rule: causeGap, Detail: detail})
	d.record(d.At, d.site, events.HoldPlaced{Place: f.place, Reason: detail, Cause: causeGap, Deviation: &opened.ID, Codes: codeSet(codes)})
}

// look opens a deviation of quality where it became so warm that chocolate may have bloomed: once, as long as it stays so.
func (f *following) look(near []Reading) {
	d, r := f.d, f.reading
	warm := func(o Reading) bool { return !o.Failed && o.TemperatureC > expiry.LookAboveC }
	if !warm(r) || len(d.Set.StandingAt(f.place)) == 0 {
		return
	}
	at := slices.IndexFunc(near, func(o Reading) bool { return o.Position == r.Position })
	if at > 0 && warm(near[at-1]) || at+1 < len(near) && warm(near[at+1]) {
		return
	}
	d.record(d.At, d.site, events.DeviationOpened{
		Place: f.place, Concern: concernQuality, Rule: ruleLook, Value: &r.TemperatureC,
		Detail: fmt.Sprintf("%g °C at %s is above 25 °C: look at what stands there, for bloom and leaks, before it is sold.", r.TemperatureC, f.name()),
	})
}
