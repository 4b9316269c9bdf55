package workshop

import (
	"fmt"
	"strings"
	"time"

	"firstout/internal/events"
)

// Check records a check of a thing, a place or a vat. Exactly one of Code and Slug is given.
type Check struct {
	Done
	Code        events.Code
	Slug        string // of a place or a vat
	Kind        string
	Value       *float64
	Result      string
	Uncertainty *float64
	Method      string
	Document    string
	Instrument  string
	From, To    *time.Time // what it stands for, if not the moment
}

// CheckAnswer is the answer: the finding and what followed from it.
type CheckAnswer struct {
	Checked    events.Checked
	Deviations []*Deviation
	Parted     []events.MovedLine // what goes on under a code of its own, and needs a new label
}

// Needs is the thing, and what was made of it if that may change its date.
func (c Check) Needs() []Need {
	switch {
	case c.Code == "":
		return nil
	case c.measures() || c.cools():
		return []Need{NeedThing(c.Code), NeedDownstream(c.Code)}
	}
	return []Need{NeedThing(c.Code)}
}

// measures says that the check gives a value that a batch's date may rest on.
func (c Check) measures() bool { return measuresBatch(c.Code, c.Kind, c.Value) }

func measuresBatch(code events.Code, kind string, value *float64) bool {
	return code.Kind() == events.KindGanache && value != nil && (kind == checkWaterActivity || kind == checkPH)
}

// Alone says that a measured value, or how a batch cools, looks at what was made of it, and a place that is too warm for anything, or not
// read, at all that stands there. A place found too warm for the chill looks as wide, with the others of its group.
func (c Check) Alone() bool {
	tooWarm := c.Value == nil && c.Result == checkFailed || c.Value != nil && *c.Value > classLimitC[storageCool]
	return c.measures() || c.cools() || c.Kind == checkTemperature && tooWarm
}

// Decide writes the finding down, and opens a deviation where it is not as it should be.
func (c Check) Decide(d *Desk) (any, *Refusal) {
	var rs refusals
	d.happened(c.Done, &rs)
	checked := events.Checked{
		Code: c.Code, Kind: c.Kind, Value: c.Value, Result: c.Result, Uncertainty: c.Uncertainty, Method: c.Method,
		Document: c.Document, Instrument: c.Instrument, From: toTheMicrosecond(c.From), To: toTheMicrosecond(c.To),
	}
	switch {
	case c.Code != "" && !d.knows(c.Code):
		rs.unknownCode(c.Code)
	case c.Code != "":
		d.atThing(c.Code, &rs)
		d.existed(c.Code, d.Set.since(c.Code), d.At, &rs)
	case d.Set.Defs.Places.Latest(c.Slug) != nil:
		checked.Place = c.Slug
		d.place(c.Slug, &rs)
	case d.Set.Defs.Vats.Latest(c.Slug) != nil:
		checked.Vat = c.Slug
		d.atSite(d.Set.Defs.Vats.Latest(c.Slug).Body.Site, &rs)
	default:
		rs.unknown("place, tank or code", c.Slug)
	}
	if first := rs.first(); first != nil {
		return nil, first
	}
	if wrong := c.checkValue(); wrong != nil {
		return nil, wrong
	}
	if wrong := c.checkTime(d); wrong != nil {
		return nil, wrong
	}
	r := d.record(d.At, d.site, checked)
	if c.measures() {
		d.redateMeasured(c.Code)
	}
	if c.cools() {
		d.judgeCooling(c.Code)
	}
	if deviation := c.deviates(d, checked); deviation != nil {
		d.record(d.At, d.site, *deviation)
	}
	if reading, is := d.Set.readingOf(r, checked); is && c.Code == "" {
		d.followPlace(checked.Place, reading)
	} else if is {
		d.followThing(c.Code, reading)
	}
	return d.checkAnswer(checked), nil
}

func (d *Desk) checkAnswer(checked events.Checked) CheckAnswer {
	answer := CheckAnswer{Checked: checked}
	for _, r := range d.recorded {
		switch e := r.Data.(type) {
		case events.DeviationOpened:
			answer.Deviations = append(answer.Deviations, d.Set.Deviation(r.ID))
		case events.StockMoved:
			answer.Parted = append(answer.Parted, d.asShown(e.Lines)...)
		}
	}
	return answer
}

func (c Check) checkValue() *Refusal {
	most := map[string]float64{checkWaterActivity: 1, checkPH: 14}[c.Kind]
	switch {
	case c.Value == nil && c.Result == "":
		return invalid("/value", "Give a value, or a result of pass or fail.")
	case c.Value != nil && most > 0 && (*c.Value < 0 || *c.Value > most):
		return invalid("/value", "%g is no %s: it lies between 0 and %g.", *c.Value, strings.ReplaceAll(c.Kind, "_", " "), most)
	}
	return nil
}

// checkTime refuses a time that a check cannot stand for.
func (c Check) checkTime(d *Desk) *Refusal {
	end := d.At
	if c.To != nil {
		end = *c.To
	}
	switch {
	case c.To != nil && c.To.After(d.Now.Add(ahead)):
		return invalid("/to", "The time that it stands for is not over yet: give the time until which it was checked.")
	case c.From != nil && c.From.After(end):
		return invalid("/from", "It begins after its end: give the time from which on it was checked.")
	}
	return nil
}

// toTheMicrosecond is an instant as the book keeps it, if there is one.
func toTheMicrosecond(at *time.Time) *time.Time {
	if at == nil {
		return nil
	}
	kept := instant(*at)
	return &kept
}

// The kinds of a check from which more follows. A temperature out of its band breaks the rule of that name.
const (
	checkTemperature   = "temperature"
	checkWaterActivity = "water_activity"
	checkPH            = "ph"
	checkFailed        = "fail" // its result
)

// deviates says what deviation a finding opens, if any. A failed metal check and a place out of its tolerance
// with stock in it concern safety.
func (c Check) deviates(d *Desk, checked events.Checked) *events.DeviationOpened {
	deviation := &events.DeviationOpened{Code: checked.Code, Place: checked.Place, Concern: concernQuality, Rule: c.Kind, Value: c.Value}
	if deviation.Place == "" {
		deviation.Place = checked.Vat
	}
	failed := c.Result == checkFailed
	if c.Kind == checkTemperature && c.Value != nil {
		if band := d.bandOf(checked); band != nil && !band.Holds(*c.Value) {
			deviation.Band = band
			deviation.Detail = fmt.Sprintf("%g °C is outside %s.", *c.Value, band)
		}
	}
	if failed && deviation.Detail == "" {
		deviation.Detail = fmt.Sprintf("The check of %s failed.", c.Kind)
	}
	stands := func() bool { return checked.Place != "" && len(d.Set.StandingAt(checked.Place)) > 0 }
	switch {
	case deviation.Detail == "":
		return nil
	case failed && c.Kind == "metal", c.Kind == checkTemperature && stands():
		deviation.Concern = concernSafety
	}
	return deviation
}

// bandOf is the band of temperatures that a place, with its tolerance, or a vat is meant to keep to.
func (d *Desk) bandOf(checked events.Checked) *events.Band {
	if checked.Vat != "" {
		return d.workingBand(checked.Vat)
	}
	place := d.Set.Defs.Places.InForce(checked.Place, d.At)
	if place == nil {
		return nil
	}
	limit := classLimitC[place.Body.Storage]
	if place.Body.LimitC != nil {
		limit = *place.Body.LimitC
	}
	if place.Body.Tolerance != nil {
		limit += place.Body.Tolerance.C
	}
	return &events.Band{Max: &limit}
}
