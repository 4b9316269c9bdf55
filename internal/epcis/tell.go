package epcis

import (
	"slices"

	"firstout/internal/events"
)

// tell adds to the document what an event is in its words. An event that has none adds nothing.
func (t *telling) tell(r events.Recorded) {
	t.r, t.told = r, 0
	switch e := r.Data.(type) {
	case events.IngredientReceived:
		t.received(e)
	case events.PortionOpened:
		t.opened(e)
	case events.ChocolateMelted:
		t.melted(e)
	case events.VatEmptied:
		t.emptied(e)
	case events.GanacheMade:
		t.ganache(e)
	case events.RunStarted:
		t.dates[e.Run] = e.Expiry
	case events.ShellsCast:
		t.moulded(e.Run, e.Expiry, []object{grams(t.class(e.Draw.Charge), e.Draw.Net())}, nil)
	case events.PiecesDecorated:
		t.moulded(e.Run, e.Expiry, t.drawn(e.Inputs), object{"stage": e.Stage})
	case events.MouldsFilled:
		t.moulded(e.Run, e.Expiry, t.drawn(e.Fillings), nil)
	case events.MouldsCapped:
		t.capped(e)
	case events.PiecesTurnedOut:
		t.turnedOut(e)
	case events.PiecesReleased:
		t.released(e)
	case events.BoxesPacked:
		t.packed(e)
	case events.BoxesOpened:
		t.unpacked(e)
	case events.StockMoved:
		t.moved(e)
	case events.PiecesSold:
		t.sold(e)
	case events.PiecesGiven:
		t.given(e)
	case events.StockDiscarded:
		t.discarded(e)
	case events.StockCounted:
		t.counted(e)
	case events.Checked:
		t.checked(e)
	case events.HoldPlaced:
		t.held(e)
	case events.HoldLifted:
		t.observed("OBSERVE", "storing", "", t.thingsAt(e.Codes))
	case events.Redated:
		t.dates[e.Code] = e.Expiry
	}
}

// received is a supplier's lot seen at the door, and then given a number of ours. The lot was there before it came here:
// it is observed, not added, and its dates stand in the header.
func (t *telling) received(e events.IngredientReceived) {
	theirs := t.class(e.Lot)
	if e.SupplierLot != "" {
		theirs = t.supplierLot(e.Supplier, e.Ingredient, e.SupplierLot)
	}
	seen := t.observed("OBSERVE", "receiving", "", []object{grams(theirs, e.Quantity)})
	t.at(seen, e.Place)
	if e.DeliveryNote != "" {
		seen["bizTransactionList"] = []object{{"type": "desadv", "bizTransaction": t.uri("supplier", e.Supplier, "delivery", e.DeliveryNote)}}
	}
	seen["sourceList"] = []object{{"type": "owning_party", "source": t.supplier(e.Supplier)}}
	seen["destinationList"] = []object{{"type": "owning_party", "destination": t.operator(t.r.Site)}}
	if e.ReceivedTemperatureC != nil {
		seen["sensorElementList"] = temperature(*e.ReceivedTemperatureC)
	}
	t.describeLot(theirs, e)
	if e.SupplierLot == "" {
		return
	}
	ours := t.made("repackaging", []object{grams(theirs, e.Quantity)}, []object{grams(t.class(e.Lot), e.Quantity)})
	delete(ours, "bizTransactionList") // no job
	t.at(ours, e.Place)
	ours["ilmd"] = t.ilmd(e.Lot, e.Expiry)
}

func (t *telling) describeLot(class string, e events.IngredientReceived) {
	name, useBy, bestBefore := e.Ingredient, "", ""
	if def := t.Defs.Ingredients.Numbered(e.Ingredient, e.IngredientVersion); def != nil {
		name = def.Body.Name
	}
	if e.DateMark.Date != nil {
		if e.DateMark.Kind == "use_by" {
			useBy = e.DateMark.Date.String()
		} else {
			bestBefore = e.DateMark.Date.String()
		}
	}
	t.describe(class, [2]string{"lotNumber", e.SupplierLot}, [2]string{"itemExpirationDate", useBy},
		[2]string{"bestBeforeDate", bestBefore}, [2]string{"descriptionShort", name})
}

func temperature(celsius float64) []object {
	return []object{{"sensorReport": []object{{"type": "Temperature", "value": celsius, "uom": "CEL"}}}}
}

// opened has no word of its own: something else was observed of the lot.
func (t *telling) opened(e events.PortionOpened) {
	seen := t.observed("OBSERVE", "other", "", []object{grams(t.class(e.Lot), e.Quantity)})
	t.at(seen, e.Place)
	own(seen, "step", "opened")
	own(seen, "part", string(e.Portion))
	if e.Expiry.Date != nil {
		own(seen, "keepsUntil", e.Expiry.Date.String())
	}
}

// drawn lists what went in, each lot once.
func (t *telling) drawn(draws []events.Draw) []object {
	var order []string
	sums := map[string]events.Mass{}
	for _, d := range draws {
		class := t.uri("ingredient", d.Ingredient)
		if d.Source != "" {
			class = t.class(d.Source)
		}
		if !slices.Contains(order, class) {
			order = append(order, class)
		}
		sums[class] += d.Quantity
	}
	list := []object{}
	for _, class := range order {
		list = append(list, grams(class, sums[class]))
	}
	return list
}

// melted makes a new fill of what was in the vat and what was poured in.
func (t *telling) melted(e events.ChocolateMelted) {
	mass := events.Mass(0)
	for _, d := range e.Inputs {
		mass += d.Quantity
	}
	t.poured(e.Charge, e.Vat, t.drawn(e.Inputs), mass, e.NewCharge)
}

// poured is a pouring of some things into a vat. What was poured is of the event itself, which may be one that was declared
// wrong; the rest is what was really there.
func (t *telling) poured(charge events.Code, vat string, in []object, mass events.Mass, begins bool) {
	n := t.fillNow(charge)
	var fill Fill
	if n <= len(t.Fills[charge]) {
		fill = t.Fills[charge][n-1]
	}
	step := "creating_class_instance"
	if begins {
		step = "commissioning"
	}
	if fill.Rest > 0 {
		in = append(in, grams(t.fill(charge, n-1), fill.Rest))
	}
	made := t.made(step, in, []object{grams(t.fill(charge, n), fill.Rest+mass)})
	t.at(made, vat)
	made["ilmd"] = object{"cbvmda:lotNumber": string(charge), Prefix + ":vat": vat, Prefix + ":fill": n}
}

// emptied sets the rest into a block, or throws it away. A vat that was not cleaned leaves a film in its next charge.
func (t *telling) emptied(e events.VatEmptied) {
	rest := []object{grams(t.class(e.Charge), e.Quantity)}
	var told object
	switch {
	case e.Block != nil:
		told = t.made("commissioning", rest, []object{grams(t.class(e.Block.Lot), e.Quantity)})
		told["ilmd"] = t.ilmd(e.Block.Lot, e.Block.Expiry)
		told["readPoint"] = object{"id": t.place(e.Vat)}
		told["bizLocation"] = object{"id": t.place(e.Block.Place)}
	case e.Quantity > 0:
		told = t.destroyed(rest, e.Vat, e.Reason, e.Destination)
	default:
		told = t.observed("OBSERVE", "other", "", []object{{"epcClass": t.class(e.Charge)}})
		t.at(told, e.Vat)
	}
	own(told, "cleaned", e.Cleaned)
	if e.NextCharge != "" {
		own(told, "carriedOverInto", t.fill(e.NextCharge, 1))
	}
}

func (t *telling) ganache(e events.GanacheMade) {
	t.dates[e.Ganache] = e.Expiry
	made := t.made("commissioning", t.drawn(e.Inputs), []object{grams(t.class(e.Ganache), e.Yield)})
	t.at(made, e.Place)
	ilmd := t.ilmd(e.Ganache, e.Expiry)
	if e.WaterActivity != nil {
		ilmd[Prefix+":waterActivity"] = e.WaterActivity.Value
	}
	made["ilmd"] = ilmd
}

// moulded is one step of a run: the batch is recorded in several, which share an id, so that all that went in is linked
// with the pieces that came out.
func (t *telling) moulded(run events.Code, expiry events.Expiry, in []object, beside object) object {
	t.dates[run] = expiry
	made := t.made("commissioning", in, nil)
	made["transformationID"] = t.uri("moulding", string(run))
	if r, known := t.Runs[run]; known {
		t.at(made, r.Place)
	}
	for name, value := range beside {
		own(made, name, value)
	}
	return made
}

// capped closes the pieces. What was scraped off them has met their filling, and went back.
func (t *telling) capped(e events.MouldsCapped) {
	made := t.moulded(e.Run, e.Expiry, []object{grams(t.class(e.Draw.Charge), e.Draw.Net())}, nil)
	if e.Draw.Returned > 0 {
		own(made, "scrapedBackInto", t.class(e.Draw.Charge))
	}
}

// turnedOut is the pieces themselves. Those that never stood anywhere came to be and went at once.
func (t *telling) turnedOut(e events.PiecesTurnedOut) {
	class := t.class(e.Run)
	unfilled := e.Unfilled
	if e.UnfilledTo != nil { // no pieces came of them
		unfilled = 0
	}
	if pieces := e.Good + e.Seconds + e.Broken + e.Eaten + unfilled; pieces > 0 {
		made := t.made("commissioning", nil, []object{counted(class, pieces)})
		made["transformationID"] = t.uri("moulding", string(e.Run))
		made["ilmd"] = t.ilmd(e.Run, t.dates[e.Run])
		t.at(made, e.Place)
	}
	if e.Broken > 0 && e.BrokenTo != "seconds" {
		t.destroyed([]object{counted(class, e.Broken)}, e.Place, "damaged", "refuse")
	}
	if e.Eaten > 0 {
		t.sampled([]object{counted(class, e.Eaten)}, e.Place)
	}
	if e.UnfilledTo != nil {
		t.poured(e.UnfilledTo.Charge, e.UnfilledTo.Vat, []object{grams(class, e.UnfilledTo.Quantity)}, e.UnfilledTo.Quantity, false)
	}
}

// released is a change of disposition. Pieces that pass the gate onto a counter are stocked there too.
func (t *telling) released(e events.PiecesReleased) {
	t.dates[e.Run] = e.Expiry
	what := []object{counted(t.class(e.Run), e.Pieces)}
	out := t.observed("OBSERVE", "storing", "sellable_not_accessible", what)
	t.at(out, e.From)
	if e.Expiry.Date != nil {
		own(out, "keepsUntil", e.Expiry.Date.String())
	}
	if e.From != e.Place || t.sells(e.Place) {
		t.carried(e.From, e.Place, what, "sellable_not_accessible")
	}
}

// sells says whether a place sold when the event that is being told happened.
func (t *telling) sells(slug string) bool {
	place := t.Defs.Places.InForce(slug, t.r.OccurredAt)
	return place != nil && place.Body.Sells
}

// carried is stock that comes to a place: to the counter it is stocked, into a store stored.
func (t *telling) carried(from, to string, what []object, disposition string) object {
	step := "storing"
	if t.sells(to) {
		step = "stocking"
		if disposition != "" {
			disposition = "sellable_accessible"
		}
	}
	e := t.observed("OBSERVE", step, disposition, what)
	t.at(e, to)
	e["sourceList"] = []object{{"type": "location", "source": t.place(from)}}
	e["destinationList"] = []object{{"type": "location", "destination": t.place(to)}}
	return e
}

// moved is stock carried. Where histories part, the part is a lot of its own, but for ingredients, whose parts stay of
// their lot.
func (t *telling) moved(e events.StockMoved) {
	byDisposition := map[string][]object{}
	parts := []string{}
	for _, l := range e.Lines {
		code := l.Code
		if l.NewCode != "" {
			code = l.NewCode
			parts = append(parts, string(code))
			if code.Kind() != events.KindLot {
				t.parted(e.From, l)
			}
		}
		disposition := ""
		if l.Grade != "" && !l.Unreleased {
			disposition = "sellable_not_accessible"
		}
		byDisposition[disposition] = append(byDisposition[disposition], t.amount(code, l.Amount))
	}
	for _, disposition := range []string{"", "sellable_not_accessible"} {
		if what := byDisposition[disposition]; len(what) > 0 {
			told := t.carried(e.From, e.To, what, disposition)
			if len(parts) > 0 {
				own(told, "parts", parts)
			}
		}
	}
}

func (t *telling) parted(from string, l events.MovedLine) {
	made := t.made("repackaging", []object{t.amount(l.Code, l.Amount)}, []object{t.amount(l.NewCode, l.Amount)})
	delete(made, "bizTransactionList") // no job
	t.at(made, from)
	if l.Expiry != nil {
		t.dates[l.NewCode] = *l.Expiry
		made["ilmd"] = t.ilmd(l.NewCode, *l.Expiry)
	}
}
