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
	From, To    *time.Time
}

// CheckAnswer is the answer: the finding and what it opened.
type CheckAnswer struct {
	Checked    events.Checked
	Deviations []*Deviation
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

// Alone says that a measured value, or how a batch cools, looks at what was made of it.
func (c Check) Alone() bool { return c.measures() || c.cools() }

// Decide writes the finding down, and opens a deviation where it is not as it should be.
func (c Check) Decide(d *Desk) (any, *Refusal) {
	var rs refusals
	d.happened(c.Done, &rs)
	checked := events.Checked{
		Code: c.Code, Kind: c.Kind, Value: c.Value, Result: c.Result, Uncertainty: c.Uncertainty, Method: c.Method,
		Document: c.Document, Instrument: c.Instrument, From: c.From, To: c.To,
	}
	switch {
	case c.Code != "" && !d.Set.Exists(c.Code):
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
	d.record(d.At, d.site, checked)
	if c.measures() {
		d.redateMeasured(c.Code)
	}
	if c.cools() {
		d.judgeCooling(c.Code)
	}
	answer := CheckAnswer{Checked: checked}
	if deviation := c.deviates(d, checked); deviation != nil {
		r := d.record(d.At, d.site, *deviation)
		answer.Deviations = append(answer.Deviations, d.Set.Deviation(r.ID))
	}
	return answer, nil
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

// The kinds of a check from which more follows. A temperature out of its band breaks the rule of that name.
const (
	checkTemperature   = "temperature"
	checkWaterActivity = "water_activity"
	checkPH            = "ph"
)

// deviates says what deviation a finding opens, if any. A failed metal check and a place out of its tolerance
// with stock in it concern safety.
func (c Check) deviates(d *Desk, checked events.Checked) *events.DeviationOpened {
	deviation := &events.DeviationOpened{Code: checked.Code, Place: checked.Place, Concern: concernQuality, Rule: c.Kind, Value: c.Value}
	if deviation.Place == "" {
		deviation.Place = checked.Vat
	}
	if c.Result == "fail" {
		deviation.Detail = fmt.Sprintf("The check of %s failed.", c.Kind)
		if c.Kind == "metal" {
			deviation.Concern = concernSafety
		}
		return deviation
	}
	if c.Kind != checkTemperature || c.Value == nil {
		return nil
	}
	band := d.bandOf(checked)
	if band == nil || band.Holds(*c.Value) {
		return nil
	}
	deviation.Band = band
	deviation.Detail = fmt.Sprintf("%g °C is outside %s.", *c.Value, band)
	if checked.Place != "" && len(d.Set.StandingAt(checked.Place)) > 0 {
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
