package api

import (
	"cmp"
	"encoding/json"
	"fmt"
	"slices"
	"time"

	"firstout/api/openapi"
	"firstout/internal/events"
	"firstout/internal/projections"
	"firstout/internal/workshop"
)

// sight is what a caller may see beside the thing itself.
type sight struct {
	money    bool // what was paid for, and what was charged for other people's sales
	supplier bool
	author   bool // who wrote a date down
}

func sightOf(a workshop.Actor) sight {
	return sight{money: a.Is(roleOwner, roleAuditor), supplier: a.Is(roleMaker, roleOwner, roleAuditor), author: a.Is(roleMaker, roleOwner, roleAuditor)}
}

// recordedOf tells which events a command became.
func recordedOf(recorded []events.Recorded) openapi.Recorded {
	told := openapi.Recorded{Events: []openapi.RecordedEvent{}}
	for _, r := range recorded {
		told.Command, told.At = r.Command, r.RecordedAt
		told.Events = append(told.Events, openapi.RecordedEvent{ID: r.ID, Position: r.Position, Type: r.Data.EventType()})
	}
	return told
}

// mainEvent is the last event of one type that a command became: what was to be recorded, after what it brought with it.
func mainEvent[E events.Event](recorded []events.Recorded) (events.Recorded, E) {
	for _, r := range slices.Backward(recorded) {
		if data, is := r.Data.(E); is {
			return r, data
		}
	}
	var none E
	return events.Recorded{}, none
}

// expiryOf gives a date with its lists never null.
func expiryOf(e events.Expiry) openapi.Expiry {
	e.Limits, e.Cautions = notNil(e.Limits), notNil(e.Cautions)
	return e
}

func notNil[T any](list []T) []T {
	if list == nil {
		return []T{}
	}
	return list
}

// standings tells where a thing stands and how much of it; places where none is left are not named.
func standings(lines []workshop.StockLine) []openapi.Standing {
	found := []openapi.Standing{}
	for _, l := range lines {
		if l.Amount == 0 {
			continue
		}
		s := openapi.Standing{Place: l.Place}
		switch l.Code.Kind() {
		case events.KindRun:
			s.Pieces, s.Grade, s.Released = pointerTo(int(l.Amount)), pointerTo(openapi.Grade(l.Grade)), pointerTo(!l.Unreleased)
		case events.KindBox:
			s.Pieces = pointerTo(int(l.Amount))
		default:
			s.QuantityG = pointerTo(events.Mass(l.Amount))
		}
		found = append(found, s)
	}
	return found
}

// standing sums what stands anywhere: pieces, or milligrams.
func standing(lines ...[]workshop.StockLine) int64 {
	total := int64(0)
	for _, l := range slices.Concat(lines...) {
		total += l.Amount
	}
	return total
}

// lotOf shows a lot that is no portion. Its allergens are those of its own label, else its ingredient's.
func lotOf(t projections.Thing, defs *workshop.Definitions, sees sight) openapi.Lot {
	l := t.Lot
	lot := openapi.Lot{
		Code: string(l.Code), Ingredient: l.Ingredient, IngredientVersion: optionalNumber(l.IngredientVersion),
		SupplierLot: optional(l.SupplierLot), ReceivedAt: l.At, DateMark: l.DateMark, QuantityG: l.Received,
		OnHandG: events.Mass(standing(t.Lines, t.PartLines)), Held: l.Held(), Holds: l.Holds, Places: standings(t.Lines),
		UseBy: expiryOf(l.Expiry), ReceivedTemperatureC: l.TemperatureC, DeliveryNote: optional(l.DeliveryNote),
		MayContain: []string{}, Lots: chargeLotsOf(l.Mix, defs.TraceAt(l.Site), nil),
	}
	if l.Composition != nil {
		lot.Composition = &l.Composition
	}
	if sees.supplier {
		lot.Supplier = optional(l.Supplier)
	}
	if sees.money && l.PriceMinor != nil {
		lot.PriceMinor, lot.Currency = l.PriceMinor, optional(l.Currency)
	}
	if len(l.Mix) > 0 {
		return lot // a block has what its lots have
	}
	if def := defs.Ingredients.Latest(l.Ingredient); def != nil {
		lot.MayContain = notNil(def.Body.MayContain)
		if def.Body.Allergens != nil {
			lot.Allergens = *def.Body.Allergens
		}
	}
	if l.Allergens != nil {
		lot.Allergens = *l.Allergens
	}
	if l.MayContain != nil {
		lot.MayContain = *l.MayContain
	}
	return lot
}

func optionalNumber(n int) *int {
	if n == 0 {
		return nil
	}
	return &n
}

// portionOf shows what was opened of a lot, or moved apart from it.
func portionOf(t projections.Thing) openapi.Portion {
	l := t.Lot
	portion := openapi.Portion{
		Code: string(l.Code), Lot: string(l.Of), Ingredient: l.Ingredient, OnHandG: events.Mass(standing(t.Lines)),
		Held: l.Held(), Places: standings(t.Lines), UseBy: expiryOf(l.Expiry), Parted: partedOf(l.Parting), Frozen: l.Frozen,
	}
	if l.Opened {
		portion.OpenedAt = &l.At
	}
	return portion
}

// chargeLotsOf tells the lots of a mix; names are their ingredients, as far as they are known.
func chargeLotsOf(mix workshop.Mix, trace workshop.Trace, names map[events.Code]string) []openapi.ChargeLot {
	var lots []openapi.ChargeLot
	for _, share := range workshop.SharesOf(mix, trace) {
		if share.Lot != "" {
			lots = append(lots, openapi.ChargeLot{
				Lot: string(share.Lot), Ingredient: optional(names[share.Lot]), Share: roundTo(share.Share, shareDecimals),
				Certainty: certaintyOf(share.Certain),
			})
		}
	}
	return lots
}

// shareDecimals is how finely shares are told: a millionth.
const shareDecimals = 6

func certaintyOf(certain bool) openapi.Certainty {
	if certain {
		return openapi.Contains
	}
	return openapi.MayContain
}

// chargeOf shows a charge.
func chargeOf(c *workshop.Charge, trace workshop.Trace, names map[events.Code]string) openapi.Charge {
	charge := openapi.Charge{
		Code: string(c.Code), Vat: c.Vat, Chocolate: openapi.Chocolate(c.Chocolate), QuantityG: c.Mix.Total(), Held: c.Held(),
		StartedAt: c.At, Lots: notNil(chargeLotsOf(c.Mix, trace, names)),
	}
	for _, share := range workshop.SharesOf(c.Mix, trace) {
		if share.Lot == "" && share.Ingredient == "" {
			charge.UnknownShare = pointerTo(roundTo(share.Share, shareDecimals))
		}
	}
	return charge
}

// ganacheOf shows a ganache with these deviations of it.
func ganacheOf(t projections.Thing, deviations []openapi.Deviation) openapi.Ganache {
	g := t.Ganache
	ganache := openapi.Ganache{
		Code: string(g.Code), Of: optional(string(g.Of)), Parted: partedOf(g.Parting), Frozen: g.Frozen, Formula: g.Formula, FormulaVersion: g.FormulaVersion, MadeAt: g.At, YieldG: g.Yield,
		OnHandG: events.Mass(standing(t.Lines, t.PartLines)), HeatStep: g.HeatStep, Ph: g.PH, WaterActivity: g.WaterActivity,
		Held: g.Held(), Holds: g.Holds, Places: standings(t.Lines), UseBy: expiryOf(g.Expiry), Deviations: notNil(deviations),
	}
	if g.PackedHot {
		ganache.PackedHot = &g.PackedHot
	}
	if g.Cools() {
		ganache.Cooling = pointerTo(coolingOf(g, ganache.OnHandG > 0))
	}
	return ganache
}

// coolingOf shows how a boiled ganache cooled. Nothing is due any more of what is used up.
func coolingOf(g *workshop.Ganache, left bool) openapi.Cooling {
	c, cautions := g.Cooled()
	cooling := openapi.Cooling{
		StartedAt: c.From, To21Minutes: minutesOf(c.To21), To5Minutes: minutesOf(c.To5), Late: c.Late, Reason: optional(c.Reason),
		Readings: slices.SortedFunc(slices.Values(g.Cooling), func(a, b events.TemperatureReading) int { return a.At.Compare(b.At) }),
		Cautions: notNil(cautions),
	}
	cooling.Readings = notNil(cooling.Readings)
	if left {
		cooling.DueBy = c.DueBy
	}
	return cooling
}

func minutesOf(d *time.Duration) *float64 {
	if d == nil {
		return nil
	}
	return pointerTo(roundTo(d.Minutes(), 1))
}

// addMaking puts into a shown ganache what its making recorded and its state does not keep.
func addMaking(ganache *openapi.Ganache, recorded []events.Recorded) {
	for _, r := range recorded {
		made, is := r.Data.(events.GanacheMade)
		if !is || string(made.Ganache) != ganache.Code {
			continue
		}
		ganache.YieldBasis = pointerTo(openapi.Basis(made.YieldBasis))
		for _, d := range made.Inputs {
			ganache.Inputs = append(ganache.Inputs, openapi.InputDrawn{
				Source: optional(string(d.Source)), Ingredient: optional(d.Ingredient), QuantityG: d.Quantity, Heated: d.Heated,
				Place: optional(d.Place), How: optional(openapi.InputDrawnHow(d.How)),
			})
		}
	}
}

// runOf shows a run or a part of one with these deviations of it. Where it stands is told only if its lines are given.
func runOf(t projections.Thing, deviations []openapi.Deviation) openapi.Run {
	r := t.Run
	run := openapi.Run{
		Code: string(r.Code), Of: optional(string(r.Of)), Parted: partedOf(r.Parting), Frozen: r.Frozen, Design: r.Design, DesignVersion: r.DesignVersion, Mould: r.Mould,
		Moulds: r.Moulds, Place: r.Place, State: openapi.RunState(r.State), StartedAt: r.At, Pieces: runPieces(r), Held: r.Held(),
		Holds: r.Holds, UseBy: expiryOf(r.Expiry), Deviations: notNil(deviations),
	}
	if r.PieceMass > 0 {
		run.PieceG = &r.PieceMass
	}
	if t.Lines != nil || t.PartLines != nil {
		run.Places = standings(t.Lines)
		run.Pieces.OnHand = pointerTo(int(standing(t.Lines, t.PartLines)))
	}
	return run
}

func runPieces(r *workshop.Run) openapi.RunPieces {
	pieces := openapi.RunPieces{Good: r.Good, Released: r.Released}
	if r.Cast {
		pieces.Cast = r.Cavities
	}
	if r.State == workshop.StateTurnedOut {
		pieces.Seconds, pieces.Broken, pieces.Unfilled = &r.Seconds, &r.Broken, &r.Unfilled
		pieces.Eaten, pieces.LeftInMould = &r.Eaten, &r.LeftInMould
		pieces.Difference = pointerTo(r.Cavities - r.TurnedOut())
	}
	return pieces
}

// addWork puts into a shown run the parts of the work that these events recorded.
func addWork(run *openapi.Run, recorded []events.Recorded) {
	for _, r := range recorded {
		switch e := r.Data.(type) {
		case events.ShellsCast:
			if string(e.Run) == run.Code {
				run.Casting = chocolateDrawn(r, e.Draw, e.TemperatureC)
			}
		case events.MouldsCapped:
			if string(e.Run) == run.Code {
				run.Capping = chocolateDrawn(r, e.Draw, e.TemperatureC)
			}
		case events.MouldsFilled:
			if string(e.Run) == run.Code {
				run.Filling = append(run.Filling, fillingsDrawn(r, e)...)
			}
		case events.PiecesDecorated:
			if string(e.Run) == run.Code {
				run.Decorations = append(run.Decorations, decorationsDrawn(r, e)...)
			}
		}
	}
}

func chocolateDrawn(r events.Recorded, d events.ChocolateDraw, temperature *float64) *openapi.ChocolateDrawn {
	return &openapi.ChocolateDrawn{
		Vat: d.Vat, Charge: string(d.Charge), DrawnG: d.Drawn, ReturnedG: d.Returned, Basis: openapi.Basis(d.Basis),
		TemperatureC: temperature, OccurredAt: r.OccurredAt,
	}
}

func fillingsDrawn(r events.Recorded, e events.MouldsFilled) []openapi.FillingDrawn {
	var drawn []openapi.FillingDrawn
	for _, d := range e.Fillings {
		drawn = append(drawn, openapi.FillingDrawn{
			Source: string(d.Source), QuantityG: d.Quantity, Basis: openapi.Basis(d.Basis), TemperatureC: e.TemperatureC,
			Place: optional(d.Place), OccurredAt: r.OccurredAt,
		})
	}
	return drawn
}

func decorationsDrawn(r events.Recorded, e events.PiecesDecorated) []openapi.DecorationDrawn {
	var drawn []openapi.DecorationDrawn
	for _, d := range e.Inputs {
		drawn = append(drawn, openapi.DecorationDrawn{
			Stage: openapi.Stage(e.Stage), Source: string(d.Source), QuantityG: d.Quantity, Basis: openapi.Basis(d.Basis),
			Place: optional(d.Place), OccurredAt: r.OccurredAt,
		})
	}
	return drawn
}

// deviationOf shows a deviation as it stands.
func deviationOf(d workshop.Deviation) openapi.Deviation {
	deviation := openapi.Deviation{
		ID: d.ID, Code: optional(string(d.Code)), Place: optional(d.Place), Concern: openapi.DeviationConcern(d.Concern),
		Rule: d.Rule, Detail: d.Detail, Value: d.Value, Band: d.Band, OpenedAt: d.OpenedAt, Open: d.Decision == nil,
	}
	if d.Decision != nil {
		deviation.Decision = &openapi.DeviationDecision{
			Decision: openapi.DeviationDecisionDecision(d.Decision.Decision), Reason: d.Decision.Reason, Date: d.Decision.Date,
		}
		if d.DecidedAt != nil {
			deviation.Decision.DecidedAt = *d.DecidedAt
		}
	}
	return deviation
}

// deviationsIn shows the deviations that a command opened.
func deviationsIn(recorded []events.Recorded) []openapi.Deviation {
	var opened []openapi.Deviation
	for _, r := range recorded {
		if e, is := r.Data.(events.DeviationOpened); is {
			opened = append(opened, openapi.Deviation{
				ID: r.ID, Code: optional(string(e.Code)), Place: optional(e.Place), Concern: openapi.DeviationConcern(e.Concern),
				Rule: e.Rule, Detail: e.Detail, Value: e.Value, Band: e.Band, OpenedAt: r.OccurredAt, Open: true,
			})
		}
	}
	return opened
}

// redatingsIn shows the changes of date that a command brought with it.
func redatingsIn(recorded []events.Recorded) []openapi.Redating {
	var redated []openapi.Redating
	for _, r := range recorded {
		if e, is := r.Data.(events.Redated); is {
			redated = append(redated, openapi.Redating{Code: string(e.Code), Old: e.Old, UseBy: expiryOf(e.Expiry), Cause: e.Cause, Why: workshop.WhyRedated(e)})
		}
	}
	return redated
}

// holdOf shows a hold as it stands.
func holdOf(h workshop.Hold) openapi.Hold {
	return openapi.Hold{
		ID: h.ID, Code: optional(string(h.Code)), Place: optional(h.Place), Downstream: h.Downstream, Reason: h.Reason, Cause: optional(h.Cause),
		Held: plainCodes(h.Codes), Open: h.LiftedAt == nil, PlacedAt: h.PlacedAt, LiftedAt: h.LiftedAt, Deviation: h.Deviation,
		SoldBefore: soldBeforeOf(h.SoldBefore),
	}
}

func soldBeforeOf(before []workshop.SoldBefore) []openapi.SoldBefore {
	var sold []openapi.SoldBefore
	for _, b := range before {
		sold = append(sold, openapi.SoldBefore{Event: b.Event, Code: string(b.Code), Pieces: b.Pieces})
	}
	return sold
}

func plainCodes(codes []events.Code) []string {
	plain := make([]string, 0, len(codes))
	for _, code := range codes {
		plain = append(plain, string(code))
	}
	return plain
}

// checkOf shows a check as it was recorded.
func checkOf(r events.Recorded, e events.Checked) openapi.Check {
	return openapi.Check{
		ID: r.ID, Subject: cmp.Or(string(e.Code), e.Place, e.Vat), Kind: openapi.CheckKind(e.Kind), Value: e.Value,
		Result: optional(openapi.CheckResult(e.Result)), Uncertainty: e.Uncertainty, Method: optional(e.Method),
		Document: optional(e.Document), Instrument: optional(e.Instrument), From: e.From, To: e.To, OccurredAt: r.OccurredAt,
	}
}

// historyOf shows the events that touched a thing, without who recorded them and without what the caller may not see.
// What was corrected is marked with what corrected it.
func historyOf(recorded []events.Recorded, corrections *workshop.Corrections, sees sight) ([]openapi.HistoryEvent, error) {
	history := []openapi.HistoryEvent{}
	for _, r := range recorded {
		data, err := json.Marshal(sees.of(r.Data))
		if err != nil {
			return nil, fmt.Errorf("show the event at position %d: %w", r.Position, err)
		}
		event := openapi.HistoryEvent{
			Position: r.Position, ID: r.ID, Type: r.Data.EventType(), OccurredAt: r.OccurredAt, RecordedAt: r.RecordedAt, Data: data,
		}
		if by, is := corrections.By(r.Command); is {
			event.CorrectedBy = &by
		}
		history = append(history, event)
	}
	return history, nil
}

// of leaves out of an event what the caller may not see.
func (s sight) of(data events.Event) events.Event {
	switch e := data.(type) {
	case events.IngredientReceived:
		if !s.money {
			e.PriceMinor = nil
		}
		if !s.supplier {
			e.Supplier, e.SupplierLot, e.DeliveryNote = "", "", ""
		}
		return e
	case events.CommandCorrected:
		e.Events = slices.Clone(e.Events)
		for i := range e.Events {
			e.Events[i].Data = s.of(e.Events[i].Data)
		}
		return e
	case events.PiecesSold:
		if !s.money {
			e.Lines = slices.Clone(e.Lines)
			for i := range e.Lines {
				e.Lines[i].PriceMinor = nil
			}
		}
		return e
	}
	return data
}
