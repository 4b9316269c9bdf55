package workshop

import (
	"fmt"

	"firstout/internal/events"
)

// Receive records a delivery.
type Receive struct {
	Done
	Ingredient   string
	Supplier     string
	SupplierLot  string
	Quantity     events.Mass
	DateMark     events.DateMark
	PriceMinor   *int64
	TemperatureC *float64
	DeliveryNote string
	Place        string
	Allergens    *[]string
	MayContain   *[]string
	Composition  map[string]float64
}

// The causes of a hold that a delivery is born with.
const (
	CauseLotCodeMissing = "lot_code_missing"
	CauseTooWarm        = "too_warm"
)

// Needs is the counter of lots of today; another day's is loaded if occurred_at says so.
func (c Receive) Needs() []Need { return nil }

// Decide writes the delivery. One without the supplier's lot code, or too warm, is recorded and held: to refuse
// it would only make the book lie.
func (c Receive) Decide(d *Desk) (any, *Refusal) {
	var rs refusals
	place := d.place(c.Place, &rs)
	d.happened(c.Done, &rs)
	ingredient := d.Set.Defs.Ingredients.InForce(c.Ingredient, d.At)
	if ingredient == nil {
		rs.unknown("ingredient", c.Ingredient)
	} else if ingredient.Body.Untracked {
		rs.add(RefusedWrongKind, Facts{"ingredient": c.Ingredient}, "%s is not tracked in lots: nothing needs to be received.", ingredient.Body.Name)
	}
	if d.Set.Defs.Suppliers.Latest(c.Supplier) == nil {
		rs.unknown("supplier", c.Supplier)
	}
	if first := rs.first(); first != nil {
		return nil, first
	}
	if wrong := c.check(ingredient.Body); wrong != nil {
		return nil, wrong
	}
	currency := ""
	if site := d.Set.Defs.Sites.Latest(d.site); site != nil {
		currency = site.Body.Currency
	}
	code := d.newCode(events.KindLot, d.At, d.site)
	mark := printedMark(c.DateMark)
	d.record(d.At, d.site, events.IngredientReceived{
		Lot: code, Ingredient: c.Ingredient, IngredientVersion: ingredient.Number, Supplier: c.Supplier,
		SupplierLot: c.SupplierLot, Quantity: c.Quantity, DateMark: mark, PriceMinor: c.PriceMinor, Currency: currency,
		ReceivedTemperatureC: c.TemperatureC, DeliveryNote: c.DeliveryNote, Place: c.Place, Allergens: c.Allergens,
		MayContain: c.MayContain, Composition: c.Composition,
		Expiry: d.dateLot(code, ingredient.Body, mark, d.At, d.site),
	})
	d.holdTooWarm(c, code, ingredient.Body, place)
	if c.SupplierLot == "" {
		d.hold(code, []events.Code{code}, CauseLotCodeMissing, "The supplier's lot code is missing: find it on the note or the box, or ask the supplier.", nil)
	}
	return d.Set.Lot(code), nil
}

func (c Receive) check(ingredient events.Ingredient) *Refusal {
	if (c.DateMark.Kind == "none") != (c.DateMark.Date == nil) {
		return invalid("/date_mark", "Give the date as printed, or the kind \"none\" and no date.")
	}
	if c.Allergens != nil {
		if wrong := checkAllergens("/allergens", *c.Allergens); wrong != nil {
			return wrong
		}
	}
	if c.MayContain != nil {
		if wrong := checkAllergens("/may_contain", *c.MayContain); wrong != nil {
			return wrong
		}
	}
	return checkComposition(compositionOf(ingredient), c.Composition)
}

// printedMark turns "best before end" of a month into the last day of that month.
func printedMark(m events.DateMark) events.DateMark {
	if m.Kind == "best_before_end" && m.Date != nil {
		end := m.Date.EndOfMonth()
		m.Date = &end
	}
	return m
}

// classLimitC is the upper limit of each storage class in °C.
var classLimitC = map[string]float64{"cool": 18, "dry": 18, "chilled": 5, "frozen": -18}

// holdTooWarm opens a safety deviation and a hold where goods came in over their class and the place's tolerance.
func (d *Desk) holdTooWarm(c Receive, code events.Code, ingredient events.Ingredient, place *events.Place) {
	limit, bounded := classLimitC[ingredient.Storage]
	if c.TemperatureC == nil || !bounded {
		return
	}
	if place.Tolerance != nil {
		limit += place.Tolerance.C
	}
	if *c.TemperatureC <= limit {
		return
	}
	detail := fmt.Sprintf("%s came in at %g °C; at most %g °C is allowed for %s goods.", ingredient.Name, *c.TemperatureC, limit, ingredient.Storage)
	deviation := d.record(d.At, d.site, events.DeviationOpened{
		Code: code, Concern: concernSafety, Rule: CauseTooWarm, Detail: detail, Value: c.TemperatureC, Band: &events.Band{Max: &limit},
	})
	d.hold(code, []events.Code{code}, CauseTooWarm, detail, &deviation.ID)
}
