package epcis

import (
	"slices"

	"firstout/internal/events"
)

// This file tells what leaves the workshop, and what is found of what is there.

// allocated lists what was taken of each run, each once.
func (t *telling) allocated(allocations []events.Allocation) []object {
	var order []events.Code
	pieces := map[events.Code]int{}
	for _, a := range allocations {
		if !slices.Contains(order, a.Code) {
			order = append(order, a.Code)
		}
		pieces[a.Code] += a.Pieces
	}
	list := []object{}
	for _, code := range order {
		list = append(list, counted(t.class(code), pieces[code]))
	}
	return list
}

// sold over the counter goes to whoever eats it, of whom nothing is told; to another business it goes one step forward.
func (t *telling) sold(e events.PiecesSold) {
	var taken []events.Allocation
	for _, l := range e.Lines {
		taken = append(taken, l.Allocations...)
	}
	what := t.allocated(taken)
	receipt := "urn:uuid:" + t.r.Command.String()
	if e.Reference != "" {
		receipt = t.uri("receipt", e.Reference)
	}
	var gone object
	if e.Buyer != "" {
		gone = t.observed("OBSERVE", "shipping", "in_transit", what)
		gone["sourceList"] = []object{{"type": "owning_party", "source": t.operator(t.r.Site)}}
		gone["destinationList"] = []object{{"type": "owning_party", "destination": t.buyer(e.Buyer)}}
		t.describeParty(e.Buyer)
	} else {
		gone = t.observed("DELETE", "retail_selling", "retail_sold", what)
	}
	gone["readPoint"] = object{"id": t.place(e.Place)}
	gone["bizTransactionList"] = []object{{"type": "inv", "bizTransaction": receipt}}
}

// describeParty puts what is needed to find a buyer beside its URI.
func (t *telling) describeParty(slug string) {
	if t.buyers == nil {
		t.buyers = map[string]object{}
	}
	if buyer := t.Defs.Buyers.Latest(slug); buyer != nil {
		var list []object
		for _, a := range [][2]string{{"name", buyer.Body.Name}, {"streetAddressOne", buyer.Body.Address}, {"contact", buyer.Body.Contact}} {
			if a[1] != "" {
				list = append(list, object{"id": "urn:epcglobal:cbv:mda:" + a[0], "attribute": a[1]})
			}
		}
		t.buyers[slug] = object{"id": t.buyer(slug), "attributes": list}
	}
}

// given as a taster is dispensed: in this vocabulary sampling destroys for quality, and never gives.
func (t *telling) given(e events.PiecesGiven) {
	var taken []events.Allocation
	for _, l := range e.Lines {
		taken = append(taken, l.Allocations...)
	}
	t.dispensed(t.allocated(taken), e.Place, "taster")
}

func (t *telling) dispensed(what []object, place, reason string) {
	e := t.observed("DELETE", "dispensing", "dispensed", what)
	e["readPoint"] = object{"id": t.place(place)}
	own(e, "reason", reason)
}

// sampled is what was eaten for quality.
func (t *telling) sampled(what []object, place string) {
	e := t.observed("DELETE", "sampling", "destroyed", what)
	e["readPoint"] = object{"id": t.place(place)}
	e["bizTransactionList"] = []object{{"type": "testres", "bizTransaction": "urn:uuid:" + t.r.Command.String()}}
}

func (t *telling) destroyed(what []object, place, reason, destination string) object {
	disposition := "disposed" // handed over
	if destination == "refuse" || destination == "composting" {
		disposition = "destroyed"
	}
	e := t.observed("DELETE", "destroying", disposition, what)
	if place != "" {
		e["readPoint"] = object{"id": t.place(place)}
	}
	own(e, "reason", reason)
	own(e, "wasteDestination", destination)
	return e
}

// discarded is what went without a sale, by the reason: people ate it, it was tested, or it was destroyed.
func (t *telling) discarded(e events.StockDiscarded) {
	what := []object{}
	place := e.Place
	for _, l := range e.Lines {
		what = append(what, t.amount(l.Code, l.Amount))
	}
	switch e.Reason {
	case "taster", "staff", "donated":
		t.dispensed(what, place, e.Reason)
	case "qc_sample":
		t.sampled(what, place)
	default:
		t.destroyed(what, place, e.Reason, e.Destination)
	}
}

// counted is what was found. What is more or less than the book had is an event apart, for which there is no type.
func (t *telling) counted(e events.StockCounted) {
	step := "cycle_counting"
	if e.Complete {
		step = "stock_taking"
	}
	found, less, more := []object{}, []object{}, []object{}
	for _, l := range e.Lines {
		found = append(found, t.found(l.Code, l.Found))
		off := events.Amount{Pieces: l.Found.Pieces - l.Had.Pieces, Quantity: l.Found.Quantity - l.Had.Quantity}
		switch {
		case off.Pieces > 0 || off.Quantity > 0:
			more = append(more, t.amount(l.Code, off))
		case off.Pieces < 0 || off.Quantity < 0:
			less = append(less, t.amount(l.Code, events.Amount{Pieces: -off.Pieces, Quantity: -off.Quantity}))
		}
	}
	if e.Reason != "book_short" { // nobody counted
		t.at(t.observed("OBSERVE", step, "", found), e.Place)
	}
	for _, off := range []struct {
		what []object
		word string
	}{{more, "found"}, {less, "missing"}} {
		if len(off.what) > 0 {
			seen := t.observed("OBSERVE", "other", "", off.what)
			t.at(seen, e.Place)
			own(seen, "difference", off.word)
			own(seen, "reason", e.Reason)
		}
	}
}

// found is a count, which may be of nothing.
func (t *telling) found(code events.Code, a events.Amount) object {
	if a == (events.Amount{}) {
		return counted(t.class(code), 0)
	}
	return t.amount(code, a)
}

// checked leaves a thing as it was. A reading of a place alone is told only where nothing else goes on.
func (t *telling) checked(e events.Checked) {
	var seen object
	if e.Code == "" {
		seen = t.common("ObjectEvent")
		seen["action"], seen["bizStep"], seen["epcList"] = "OBSERVE", "sensor_reporting", []string{}
		seen["readPoint"] = object{"id": t.place(e.Place + e.Vat)}
		seen["sensorElementList"] = []object{{"sensorReport": []object{t.reading(e)}}}
		return
	}
	disposition := map[string]string{"pass": "conformant", "fail": "non_conformant"}[e.Result]
	seen = t.observed("OBSERVE", "inspecting", disposition, t.thingsAt([]events.Code{e.Code}))
	own(seen, "check", e.Kind)
	if e.Value != nil {
		if e.Kind == "temperature" {
			seen["sensorElementList"] = temperature(*e.Value)
		} else {
			own(seen, "value", *e.Value)
		}
	}
	if e.Document != "" {
		seen["bizTransactionList"] = []object{{"type": "testres", "bizTransaction": t.uri("document", e.Document)}}
	}
}

// reading is what was read of a place: its temperature, or whatever else in an own word.
func (t *telling) reading(e events.Checked) object {
	if e.Kind == "temperature" && e.Value != nil {
		return object{"type": "Temperature", "value": *e.Value, "uom": "CEL"}
	}
	reading := object{"type": t.uri("voc", e.Kind)}
	if e.Value != nil {
		reading["value"] = *e.Value
	} else {
		reading["stringValue"] = e.Result
	}
	return reading
}

// thingsAt lists things with what there was of them then.
func (t *telling) thingsAt(codes []events.Code) []object {
	list := []object{}
	for _, code := range codes {
		list = append(list, t.amount(code, t.OnHand[At{Position: t.r.Position, Code: code}]))
	}
	return list
}

// held takes things out of use; what is recalled stays so until it is said otherwise.
func (t *telling) held(e events.HoldPlaced) {
	disposition := "non_sellable_other"
	switch e.Cause {
	case "past-date":
		disposition = "expired"
	case "recall":
		disposition = "recalled"
	}
	seen := t.observed("OBSERVE", "holding", disposition, t.thingsAt(e.Codes))
	seen["readPoint"] = object{"id": t.operator(t.r.Site)}
	if disposition == "recalled" {
		seen["persistentDisposition"] = object{"set": []string{"recalled"}}
	}
	own(seen, "reason", e.Reason)
}
