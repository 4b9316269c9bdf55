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
	in := d.lotInput(lot, d.At)
	in.Code, in.Lot = string(portion), string(lot.Code.Whole())
	if life := d.openLife(lot.Code); life != nil {
		in.Opened = &expiry.Opening{On: on, LifeDays: *life}
	}
	always := true // whatever it is, its own mark dates it
	in.BestBeforeBinds = &always
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
	e := Shown(lot.Expiry, lot.Frozen, usedAt, zone)
	if len(lot.Mix) > 0 {
		answer := answerOf(e)
		in.Rework, in.Mark = &answer, expiry.Mark{Kind: expiry.MarkNone}
		return in
	}
	received := lot.At
	if lot.Of != "" {
		received = d.Set.Lot(lot.Of).At
		in.Opened = openingOf(e, civil.DayOf(lot.At, zone))
	}
	in.Mark = markOf(lot.DateMark, ingredient, civil.DayOf(received, zone))
	in.Rework = addedLimits(e)
	return in
}

// openingOf is a portion's opening with the life that it was given then: a new version of the ingredient changes
// nothing about it. A part of a portion has its portion's.
func openingOf(e events.Expiry, on civil.Day) *expiry.Opening {
	for _, l := range e.Limits {
		if l.Name == expiry.LimitOpenedIngredient {
			return &expiry.Opening{On: on, LifeDays: l.Date.Sub(on)}
		}
	}
	return nil
}

// addedLimits are the limits of a lot that are not its own mark or opening: those that decisions shortened it by, and
// those of the freezer. Nil if there are none.
func addedLimits(e events.Expiry) *expiry.Answer {
	added := expiry.Answer{Kind: expiry.KindBestBefore}
	for _, l := range e.Limits {
		if l.Name == expiry.LimitShop || l.Name == expiry.LimitFreezer {
			added.Limits, added.Binds = append(added.Limits, expiry.Limit(l)), l.Name
		}
	}
	if added.Binds == "" {
		return nil
	}
	return &added
}

// inputs are the lots whose dates count in what was made at an instant, as expiry takes them.
func (d *Desk) inputs(dated []DatedInput, heated bool, made time.Time) []expiry.Input {
	var inputs []expiry.Input
	for _, source := range dated {
		in := d.lotInput(d.Set.Lot(source.Source), source.At)
		in.Trace, in.Heated, in.BestBeforeBinds = source.Trace, heated, d.binds(in.Kind, made)
		inputs = append(inputs, in)
	}
	return inputs
}

// dateCharge dates what is in a vat, as a block is set from it.
func (d *Desk) dateCharge(charge *Charge) events.Expiry {
	return recordedExpiry(expiry.DatePiece(expiry.Piece{
		MadeAt: charge.At, Zone: d.zone(charge.Site), Scheme: d.Set.Defs.Scheme(d.At),
		Inputs: d.inputs(d.Set.chargeInputs(charge.Code, d.At, OpKey{}), false, d.At),
	}))
}

// dateBlock dates a block by what it is made of.
func (d *Desk) dateBlock(block *Lot) events.Expiry {
	return recordedExpiry(expiry.DatePiece(expiry.Piece{
		MadeAt: block.At, Zone: d.zone(block.Site), Scheme: d.Set.Defs.Scheme(block.At),
		Inputs: d.inputs(block.Mix.dated(block.At, OpKey{}, d.Set.Defs.TraceAt(block.Site)), false, block.At),
	}))
}

// dateGanache dates a batch by its formula's assessment and limits and by what went in.
func (d *Desk) dateGanache(f events.Formula, made *Ganache) events.Expiry {
	return recordedExpiry(expiry.DateFilling(d.filling(f, made, f.Storage)))
}

// filling is a batch as expiry takes it, kept in a storage class.
func (d *Desk) filling(f events.Formula, made *Ganache, keptIn string) expiry.Filling {
	filling := d.batchOf(f, made, keptIn)
	for _, input := range made.Dated {
		filling.Inputs = append(filling.Inputs, d.fillingInput(input, made.At))
	}
	return filling
}

// batchOf is the same without the dates of what went in.
func (d *Desk) batchOf(f events.Formula, made *Ganache, keptIn string) expiry.Filling {
	filling := expiry.Filling{
		KeptIn: keptIn, MadeAt: made.At, Zone: d.zone(made.Site), Storage: f.Storage, PH: made.PH, WithinTolerance: !made.OffFormula,
		FormulaMeasured: formulaMeasured(f.Measured), Assessment: assessmentOf(f.Assessment),
		ShopLimitDays: f.ShopLimitDays, Scheme: d.Set.Defs.Scheme(made.At), HeatStep: heatStep(made.HeatStep), PackedHot: made.PackedHot, Parts: d.compositionParts(made), EvaporatedG: grams(made.Evaporated),
	}
	if w := made.WaterActivity; w != nil {
		filling.WaterActivity = &expiry.Measured{Value: w.Value, Uncertainty: w.Uncertainty}
	}
	return filling
}

// compositionParts is what a batch is made of, lot by lot, as its water activity is estimated from.
func (d *Desk) compositionParts(made *Ganache) []expiry.Part {
	parts := make([]expiry.Part, 0, len(made.Mix))
	for _, p := range made.Mix {
		switch {
		case p.Lot != "":
			lot := d.Set.Lot(p.Lot)
			var composition map[string]float64
			if def := d.Set.Defs.Ingredients.Numbered(lot.Ingredient, lot.IngredientVersion); def != nil {
				composition = compositionOf(def.Body)
			}
			parts = append(parts, expiry.LotPart(string(p.Lot), grams(p.Mass), composition, lot.Composition))
		case p.Ingredient != "":
			var composition map[string]float64
			if def := d.Set.Defs.Ingredients.InForce(p.Ingredient, made.At); def != nil {
				composition = compositionOf(def.Body)
			}
			parts = append(parts, expiry.LotPart(p.Ingredient, grams(p.Mass), composition, nil))
		default:
			parts = append(parts, expiry.Part{Name: "a lot that nobody knows", QuantityG: grams(p.Mass)})
		}
	}
	return parts
}

func grams(m events.Mass) float64 { return float64(m) / 1000 }

func heatStep(h *events.HeatStep) expiry.HeatStep {
	if h == nil {
		return expiry.HeatStep{}
	}
	return expiry.HeatStep{Boiled: h.Boiled, TemperatureC: h.TemperatureC, Minutes: h.Minutes}
}

func (d *Desk) fillingInput(input DatedInput, made time.Time) expiry.Input {
	if input.Source.Kind() == events.KindGanache {
		rework := answerOf(d.expiryAt(input.Source, input.At))
		return expiry.Input{Code: string(input.Source), Heated: input.Heated, Rework: &rework, Mark: expiry.Mark{Kind: expiry.MarkNone}}
	}
	return d.inputs([]DatedInput{input}, input.Heated, made)[0]
}

// dateRun dates the pieces of a run: by the earliest filling, then by shell, cap and decorations. A lot that was
// filled in straight is a filling with the date that it has itself.
func (d *Desk) dateRun(run *Run) events.Expiry {
	piece := expiry.Piece{MadeAt: run.At, Zone: d.zone(run.Site), Scheme: d.Set.Defs.Scheme(run.At)}
	for _, input := range run.Straight {
		if input.Filling {
			piece.Fillings = append(piece.Fillings, expiry.PieceFilling{Code: string(input.Source), Answer: answerOf(d.expiryAt(input.Source, input.At))})
		} else {
			piece.Inputs = append(piece.Inputs, d.inputs([]DatedInput{input}, false, run.At)...)
		}
	}
	for _, code := range run.Ganaches {
		filledAt := run.FilledAt[code]
		piece.Fillings = append(piece.Fillings, expiry.PieceFilling{
			Code: string(code), Answer: d.piped(code, filledAt), FilledAt: filledAt,
		})
	}
	return recordedExpiry(expiry.DatePiece(piece))
}

// piped is the answer of a ganache as it goes into moulds: open, also where it was packed hot.
func (d *Desk) piped(code events.Code, at time.Time) expiry.Answer {
	closed, ganache := answerOf(d.expiryAt(code, at)), d.Set.Ganache(code)
	formula := d.Set.Defs.Formulas.Numbered(ganache.Formula, ganache.FormulaVersion)
	if !ganache.PackedHot || formula == nil {
		return closed
	}
	filling := d.filling(formula.Body, ganache, formula.Body.Storage)
	filling.PackedHot = false
	return expiry.Unpack(closed, expiry.DateFilling(filling), filling.Zone)
}
