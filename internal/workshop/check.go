package workshop

import (
	"fmt"
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

// Needs is the thing, or what stands at the place.
func (c Check) Needs() []Need {
	if c.Code != "" {
		return []Need{NeedThing(c.Code)}
	}
	return nil
}

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
		d.atSite(d.Set.siteOf(c.Code), &rs)
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
	if c.Value == nil && c.Result == "" {
		return nil, invalid("/value", "Give a value, or a result of pass or fail.")
	}
	d.record(d.At, d.site, checked)
	answer := CheckAnswer{Checked: checked}
	if deviation := c.deviates(d, checked); deviation != nil {
		r := d.record(d.At, d.site, *deviation)
		answer.Deviations = append(answer.Deviations, d.Set.Deviation(r.ID))
	}
	return answer, nil
}

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
	if c.Kind != "temperature" || c.Value == nil {
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

// since is when a thing came to be.
func (s *Set) since(code events.Code) time.Time {
	switch code.Kind() {
	case events.KindLot:
		return s.Lot(code).At
	case events.KindCharge:
		return s.Charge(code).At
	case events.KindGanache:
		return s.Ganache(code).At
	case events.KindRun:
		return s.Run(code).At
	default:
		return time.Time{}
	}
}
