package workshop

import (
	"cmp"
	"fmt"
	"slices"

	"firstout/internal/events"
)

// Melt records chocolate melted into a vat.
type Melt struct {
	Done
	Vat            string
	Inputs         []DrawLine
	OtherChocolate bool
}

// Melted is the answer: the charge as it is now, and the stated trace of its site.
type Melted struct {
	Charge *Charge
	Trace  Trace
}

// Needs is the vat and the sources.
func (c Melt) Needs() []Need { return append(needsOfDraws(c.Inputs), NeedVat(c.Vat)) }

// Decide pours the inputs into the vat's charge, or starts one.
func (c Melt) Decide(d *Desk) (any, *Refusal) {
	vat := d.Set.Defs.Vats.Latest(c.Vat)
	if vat == nil {
		return nil, inURL(unknownName("vat", c.Vat))
	}
	var rs refusals
	d.atSite(vat.Body.Site, &rs)
	d.happened(c.Done, &rs)
	vat = d.Set.Defs.Vats.InForce(c.Vat, d.At)
	w := d.drawing()
	for _, input := range c.Inputs {
		input.Purpose = cmp.Or(input.Purpose, "melt")
		w.plan(input, d.At, &rs)
		c.checkChocolate(d, vat.Body, input.Source, &rs)
	}
	melted := events.ChocolateMelted{Vat: c.Vat, OtherChocolate: c.OtherChocolate}
	full := c.quantity()
	if charges := d.Set.chargesOf(c.Vat, d.At); len(charges) > 0 { // or the next, which then began with this
		melted.Charge = charges[0].Code
		_, most := d.Set.held(charges[0], d.At)
		full += most
	}
	if over := overCapacity(vat.Body, full); over != nil {
		rs = append(rs, over)
	}
	broken, refusal := rs.settle(c.AlreadyDone)
	if refusal != nil {
		return nil, refusal
	}
	d.bookShortDraws(w, d.At)
	melted.RuleBroken, melted.Inputs = broken, w.open(d.At)
	if melted.Charge == "" {
		melted.Charge, melted.NewCharge = d.newCode(events.KindCharge, d.At, d.site), true
	}
	d.record(d.At, d.site, melted)
	d.openBroken(broken, []events.Code{melted.Charge}, []events.Code{melted.Charge})
	return Melted{Charge: d.Set.Charge(melted.Charge), Trace: d.Set.Defs.TraceAt(d.site)}, nil
}

// checkChocolate keeps a vat to one kind of chocolate.
func (c Melt) checkChocolate(d *Desk, vat events.Vat, source events.Code, rs *refusals) {
	if source.Kind() != events.KindLot {
		if source != "" && source.Kind() != events.KindRun {
			rs.add(RefusedWrongKind, Facts{"code": source}, "%s is a %s: melt lots of couverture.", source, source.Kind())
		}
		return
	}
	lot := d.Set.Lot(source)
	if lot == nil {
		return
	}
	def := d.Set.Defs.Ingredients.InForce(lot.Ingredient, d.At)
	switch {
	case def == nil:
	case def.Body.Kind != "couverture" && def.Body.Kind != "fat":
		rs.add(RefusedWrongKind, Facts{"code": source}, "%s is %s: a tank takes couverture or cocoa butter only.", source, def.Body.Name)
	case def.Body.Chocolate != "" && def.Body.Chocolate != vat.Chocolate && !c.OtherChocolate:
		rs.add(RefusedWrongChocolate, Facts{"code": source, "chocolate": def.Body.Chocolate, "vat": vat.Chocolate},
			"%s is %s chocolate and the tank is for %s: use another tank, or say \"other_chocolate\": true.", source, def.Body.Chocolate, vat.Chocolate)
	}
}

// quantity is what is melted.
func (c Melt) quantity() events.Mass {
	var quantity events.Mass
	for _, input := range c.Inputs {
		quantity += input.Quantity
	}
	return quantity
}

// overCapacity refuses more than a vat can hold, nil if it can.
func overCapacity(vat events.Vat, full events.Mass) *Refusal {
	if vat.Capacity == 0 || full <= vat.Capacity {
		return nil
	}
	return &Refusal{
		Slug: RefusedWrongState, Facts: Facts{"capacity_g": vat.Capacity, "would_hold_g": full},
		Detail: fmt.Sprintf("The tank holds %s g and would have %s g: melt less.", vat.Capacity.Grams(), full.Grams()),
	}
}

func unknownName(what, slug string) *Refusal {
	var rs refusals
	rs.unknown(what, slug)
	return rs[0]
}

// Empty records a vat emptied.
type Empty struct {
	Done
	Vat         string
	Cleaned     bool
	Rest        string // discard or block
	Place       string // of the block
	Reason      string
	Destination string
}

// Emptied is the answer.
type Emptied struct {
	Event      events.VatEmptied
	NextCharge events.Code
}

// Needs is the vat.
func (c Empty) Needs() []Need { return []Need{NeedVat(c.Vat)} }

// Decide ends the charge. Without cleaning, a next one starts that may contain all of this one's lots.
func (c Empty) Decide(d *Desk) (any, *Refusal) {
	vat := d.Set.Defs.Vats.Latest(c.Vat)
	if vat == nil {
		return nil, inURL(unknownName("vat", c.Vat))
	}
	var rs refusals
	d.atSite(vat.Body.Site, &rs)
	d.happened(c.Done, &rs)
	state := d.Set.Vat(c.Vat)
	if state.Charge == "" {
		if c.Rest == "block" && c.Place != "" {
			d.blockPlace(c.Place, &rs)
		}
		rs.add(RefusedWrongState, Facts{"vat": c.Vat}, "The tank is empty already.")
		return nil, rs.first()
	}
	charge := d.Set.Charge(state.Charge)
	if c.OccurredAt == nil { // just now is after whatever is on record, also where a clock that was a little ahead dated that
		d.At = later(d.At, charge.LastAt)
	}
	d.existed(charge.Code, charge.At, d.At, &rs)
	if d.At.Before(charge.LastAt) && !d.At.Before(charge.At) {
		rs.add(RefusedWrongState, Facts{"vat": c.Vat, "last_at": charge.LastAt},
			"The tank was used at %s, after this: mend the time of one of the two.", charge.LastAt.In(d.zone(d.site)).Format("15:04 on 2 January"))
	}
	rest := charge.Mix.Total()
	if c.Rest == "block" && (rest > 0 || c.Place != "") {
		d.blockPlace(c.Place, &rs)
	}
	if first := rs.first(); first != nil {
		return nil, first
	}
	emptied := events.VatEmptied{Vat: c.Vat, Charge: charge.Code, Cleaned: c.Cleaned, Rest: c.Rest, Quantity: rest}
	if c.Rest == "block" && rest > 0 {
		lot := d.newCode(events.KindLot, d.At, d.site)
		emptied.Block = &events.Block{Lot: lot, Ingredient: d.largestIngredient(charge.Mix), Place: c.Place, Expiry: d.dateCharge(charge)}
	} else {
		emptied.Reason, emptied.Destination = cmp.Or(c.Reason, "process_loss"), cmp.Or(c.Destination, "refuse")
	}
	if !c.Cleaned {
		emptied.NextCharge = d.newCode(events.KindCharge, d.At, d.site)
	}
	d.record(d.At, d.site, emptied)
	return Emptied{Event: emptied, NextCharge: emptied.NextCharge}, nil
}

func (d *Desk) blockPlace(slug string, rs *refusals) {
	if slug == "" {
		*rs = append(*rs, invalid("/place", "A block stands somewhere: say at which place."))
		return
	}
	d.knownPlace(slug, rs)
	d.ownPlace(slug, rs)
}

// largestIngredient is what a block is called: the ingredient that has the most mass in it.
func (d *Desk) largestIngredient(m Mix) string {
	byIngredient := map[string]events.Mass{}
	for _, p := range m {
		if p.Lot != "" {
			byIngredient[d.Set.Lot(p.Lot).Ingredient] += p.Mass
		}
	}
	var names []string
	for name := range byIngredient {
		names = append(names, name)
	}
	slices.Sort(names)
	return slices.MaxFunc(names, func(a, b string) int { return cmp.Compare(byIngredient[a], byIngredient[b]) })
}
