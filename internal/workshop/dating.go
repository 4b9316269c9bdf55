package workshop

import (
	"time"

	"firstout/internal/civil"
	"firstout/internal/events"
	"firstout/internal/expiry"
)

// This file asks package expiry for dates and puts them into the shape that events keep. It knows what a thing is
// made of; how long that keeps is worked out there alone.

// recordedExpiry is an answer as an event keeps it.
func recordedExpiry(a expiry.Answer) events.Expiry {
	e := events.Expiry{
		Kind: a.Kind, Date: a.Date, UseBy: a.UseBy, EndsBy: a.EndsBy.UTC(), Binds: a.Binds, PH: a.PH, Status: a.Status,
		UsedShare: a.UsedShare, Instead: a.Instead, Method: a.Method, Tables: a.Tables, Cautions: a.Cautions,
		DiscardBy: inUTC(a.DiscardBy), Limits: []events.Limit{},
	}
	if w := a.WaterActivity; w != nil {
		e.WaterActivity = &events.WaterActivity{Estimated: w.Estimated, WithoutEthanol: w.WithoutEthanol, Decision: w.Decision, Basis: w.Basis}
	}
	for _, l := range a.Limits {
		l.At = inUTC(l.At)
		e.Limits = append(e.Limits, events.Limit(l))
	}
	return e
}

// answerOf reads a recorded expiry back, to work on from it.
func answerOf(e events.Expiry) expiry.Answer {
	a := expiry.Answer{
		Kind: e.Kind, Date: e.Date, UseBy: e.UseBy, EndsBy: e.EndsBy, Binds: e.Binds, PH: e.PH, Status: e.Status,
		UsedShare: e.UsedShare, Instead: e.Instead, Method: e.Method, Tables: e.Tables, Cautions: e.Cautions, DiscardBy: e.DiscardBy,
	}
	if w := e.WaterActivity; w != nil {
		a.WaterActivity = &expiry.WaterActivity{Estimated: w.Estimated, WithoutEthanol: w.WithoutEthanol, Decision: w.Decision, Basis: w.Basis}
	}
	for _, l := range e.Limits {
		a.Limits = append(a.Limits, expiry.Limit(l))
	}
	return a
}

func inUTC(t *time.Time) *time.Time {
	if t == nil {
		return nil
	}
	utc := t.UTC()
	return &utc
}

// dateLot dates a delivery by its mark.
func (d *Desk) dateLot(code events.Code, ingredient events.Ingredient, mark events.DateMark, at time.Time, site string) events.Expiry {
	zone := d.zone(site)
	in := expiry.Input{Code: string(code), Kind: ingredient.Kind, Mark: markOf(mark, ingredient, civil.DayOf(at, zone))}
	return recordedExpiry(expiry.DateLot(in, at, zone))
}

func markOf(mark events.DateMark, ingredient events.Ingredient, received civil.Day) expiry.Mark {
	if mark.Date != nil {
		return expiry.Mark{Kind: mark.Kind, Date: *mark.Date}
	}
	if ingredient.KeepsDays != nil {
		return expiry.KeepsDays(received, *ingredient.KeepsDays)
	}
	return expiry.Mark{Kind: expiry.MarkNone}
}

// datePortion dates what is opened of a lot on a day.
func (d *Desk) datePortion(lot *Lot, portion events.Code, on civil.Day) events.Expiry {
	in := d.lotInput(lot, lot.At)
	in.Code, in.Lot = string(portion), string(lot.Code)
	if life := d.openLife(lot.Code); life != nil {
		in.Opened = &expiry.Opening{On: on, LifeDays: *life}
	}
	if in.Rework != nil { // a block, or a lot whose life a decision shortened: more than its mark limits it
		return recordedExpiry(expiry.DatePiece(expiry.Piece{MadeAt: lot.At, Zone: d.zone(lot.Site), Inputs: []expiry.Input{in}}))
	}
	return recordedExpiry(expiry.DateLot(in, lot.At, d.zone(lot.Site)))
}

// lotInput is a lot or portion as something is made of it. A block passes on the limits it was set with, and any lot
// those that decisions gave it.
func (d *Desk) lotInput(lot *Lot, usedAt time.Time) expiry.Input {
	zone := d.zone(lot.Site)
	in := expiry.Input{Code: string(lot.Code), Lot: string(lot.Of), UsedAt: usedAt}
	def := d.Set.Defs.Ingredients.Numbered(lot.Ingredient, lot.IngredientVersion)
	var ingredient events.Ingredient
	if def != nil {
		ingredient = def.Body
	}
	in.Kind = ingredient.Kind
	if len(lot.Mix) > 0 {
		answer := answerOf(lot.Expiry)
		in.Rework, in.Mark = &answer, expiry.Mark{Kind: expiry.MarkNone}
		return in
	}
	received := lot.At
	if lot.Of != "" {
		received = d.Set.Lot(lot.Of).At
		in.Opened = openingOf(lot, civil.DayOf(lot.At, zone))
	}
	in.Mark = markOf(lot.DateMark, ingredient, civil.DayOf(received, zone))
	in.Rework = decidedLimits(lot.Expiry)
	return in
}

// openingOf is a portion's opening with the life that it was given then: a new version of the ingredient changes
// nothing about it.
func openingOf(portion *Lot, on civil.Day) *expiry.Opening {
	for _, l := range portion.Expiry.Limits {
		if l.Name == expiry.LimitOpenedIngredient && l.Subject == string(portion.Code) {
			return &expiry.Opening{On: on, LifeDays: l.Date.Sub(on)}
		}
	}
	return nil
}

// decidedLimits are the limits of a lot that are not its own mark or opening: those that decisions shortened it by.
// Nil if there are none.
func decidedLimits(e events.Expiry) *expiry.Answer {
	decided := expiry.Answer{Kind: expiry.KindBestBefore}
	for _, l := range e.Limits {
		if l.Name == expiry.LimitShop {
			decided.Limits, decided.Binds = append(decided.Limits, expiry.Limit(l)), l.Name
		}
	}
	if decided.Binds == "" {
		return nil
	}
	return &decided
}

// inputs are the lots whose dates count, as expiry takes them.
func (d *Desk) inputs(dated []DatedInput, heated bool) []expiry.Input {
	var inputs []expiry.Input
	for _, source := range dated {
		in := d.lotInput(d.Set.Lot(source.Source), source.At)
		in.Trace, in.Heated = source.Trace, heated
		inputs = append(inputs, in)
	}
	return inputs
}

// dateCharge dates what is in a vat, as a block is set from it.
func (d *Desk) dateCharge(charge *Charge) events.Expiry {
	return recordedExpiry(expiry.DatePiece(expiry.Piece{
		MadeAt: charge.At, Zone: d.zone(charge.Site), Inputs: d.inputs(d.Set.chargeInputs(charge.Code, d.At), false),
	}))
}

// dateGanache dates a batch by its formula's assessment and limits and by what went in.
func (d *Desk) dateGanache(f events.Formula, made events.GanacheMade, withinTolerance bool) events.Expiry {
	filling := expiry.Filling{
		MadeAt: d.At, Zone: d.zone(d.site), Storage: f.Storage, PH: made.PH, WithinTolerance: withinTolerance,
		ShopLimitDays: f.ShopLimitDays, HeatStep: heatStep(made.HeatStep),
	}
	if w := made.WaterActivity; w != nil {
		filling.WaterActivity = &expiry.Measured{Value: w.Value, Uncertainty: w.Uncertainty}
	}
	if m := f.Measured; m != nil {
		filling.FormulaMeasured = &expiry.FormulaMeasured{
			WaterActivity: m.WaterActivity, Uncertainty: m.Uncertainty, PH: m.PH, Document: m.Document, On: m.On, ValidUntil: m.ValidUntil,
		}
	}
	if as := f.Assessment; as != nil {
		filling.Assessment = &expiry.Assessment{
			Document: as.Document, DateKind: as.DateKind, WaterActivityMax: as.WaterActivityMax, PHMax: as.PHMax,
			Days: as.Days, Releases: as.Releases,
		}
		if as.Requires != nil {
			required := heatStep(as.Requires)
			filling.Assessment.Requires = &required
		}
	}
	for _, draw := range made.Inputs {
		filling.Inputs = append(filling.Inputs, d.fillingInputs(draw)...)
	}
	return recordedExpiry(expiry.DateFilling(filling))
}

func heatStep(h *events.HeatStep) expiry.HeatStep {
	if h == nil {
		return expiry.HeatStep{}
	}
	return expiry.HeatStep{Boiled: h.Boiled, TemperatureC: h.TemperatureC, Minutes: h.Minutes}
}

func (d *Desk) fillingInputs(draw events.Draw) []expiry.Input {
	if draw.Source.Kind() == events.KindGanache {
		rework := answerOf(d.Set.Ganache(draw.Source).Expiry)
		return []expiry.Input{{Code: string(draw.Source), Heated: draw.Heated, Rework: &rework, Mark: expiry.Mark{Kind: expiry.MarkNone}}}
	}
	return d.inputs(d.Set.datedSources(draw.Source, d.At), draw.Heated)
}

// dateRun dates the pieces of a run: by the earliest filling, then by shell, cap and decorations. A lot that was
// filled in straight is a filling with the date that it has itself.
func (d *Desk) dateRun(run *Run) events.Expiry {
	piece := expiry.Piece{MadeAt: run.At, Zone: d.zone(run.Site)}
	for _, input := range run.Straight {
		if input.Filling {
			piece.Fillings = append(piece.Fillings, expiry.PieceFilling{Code: string(input.Source), Answer: answerOf(d.Set.Lot(input.Source).Expiry)})
		} else {
			piece.Inputs = append(piece.Inputs, d.inputs([]DatedInput{input}, false)...)
		}
	}
	for _, code := range run.Ganaches {
		piece.Fillings = append(piece.Fillings, expiry.PieceFilling{Code: string(code), Answer: answerOf(d.Set.Ganache(code).Expiry)})
	}
	return recordedExpiry(expiry.DatePiece(piece))
}

// dateParted dates a part of a run that goes into the freezer, where its clock stands still, or comes out of it.
func (d *Desk) dateParted(run *Run, intoFreezer bool) events.Expiry {
	if intoFreezer || run.Frozen == nil {
		return run.Expiry
	}
	return recordedExpiry(expiry.DateThawed(answerOf(run.Frozen.Expiry), expiry.Freezing{
		FrozenAt: run.Frozen.At, ThawedAt: d.At, Sealed: run.Frozen.Sealed, Zone: d.zone(run.Site),
	}))
}

// shortened is a date that a decision about a deviation made earlier.
func (d *Desk) shortened(e events.Expiry, last civil.Day, deviation *Deviation) events.Expiry {
	return recordedExpiry(expiry.Shorten(answerOf(e), last, deviation.Detail, d.zone(deviation.Site)))
}

// dateAt dates a run for a place: a filling dated for the chill keeps where it is cool no longer than its assessment
// says of cool storage.
func (d *Desk) dateAt(run *Run, place *events.Place) events.Expiry {
	dated := answerOf(run.Expiry)
	if place.Storage == "chilled" || place.Storage == "frozen" {
		return run.Expiry
	}
	for _, code := range run.Ganaches {
		ganache := d.Set.Ganache(code)
		formula := d.Set.Defs.Formulas.Numbered(ganache.Formula, ganache.FormulaVersion)
		if formula == nil || formula.Body.Assessment == nil || formula.Body.Storage != "chilled" {
			continue
		}
		as := formula.Body.Assessment
		dated = expiry.DateKept(dated, string(code), ganache.At, as.Days["cool"], as.Document, d.zone(run.Site))
	}
	return recordedExpiry(dated)
}
