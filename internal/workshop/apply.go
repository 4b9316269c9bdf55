package workshop

import (
	"fmt"
	"time"

	"firstout/internal/civil"
	"firstout/internal/events"
)

// The grades of pieces.
const (
	GradeFirst    = "first"
	GradeSecond   = "second"
	GradeUnfilled = "unfilled"
	gradeBroken   = "broken" // only in movements: they never stand anywhere
)

// The causes of a movement.
const (
	CauseReceived  = "received"
	CauseOpened    = "opened"
	CauseDrawn     = "drawn"
	CauseReturned  = "returned"
	CauseMade      = "made"
	CauseTurnedOut = "turned_out"
	CauseReleased  = "released"
	CauseMoved     = "moved"
	CauseParted    = "parted"
	CauseSold      = "sold"
	CauseGiven     = "given"
	CauseDiscarded = "discarded"
	CauseCounted   = "counted"
	CauseBookShort = "book_short"        // found, because more was taken than the book had
	CauseBoxed     = "boxed"             // pieces, into boxes
	CausePacked    = "packed"            // boxes
	CauseUnboxed   = "unboxed"           // pieces, out of boxes that were opened
	CauseAbsorbed  = "absorbed_by_count" // taken back on the day of the count that had said already what there was
)

// Apply changes the set by one event. It decides nothing and works out no date: what the event says, happened.
// Live commands, rebuilds and past states all fold with it. An error means that the log and this program do not
// fit together.
func (s *Set) Apply(r events.Recorded) error {
	a := applying{Set: s, r: r}
	if s.last.r.Position == r.Position { // what takes the place of a corrected command may share its last position
		a.movements, a.edges, a.ops = s.last.movements, s.last.edges, s.last.ops
	}
	if err := a.apply(); err != nil {
		return fmt.Errorf("apply %s at position %d: %w", r.Data.EventType(), r.Position, err)
	}
	s.last = a
	return nil
}

// applying is one event on its way into a set; it numbers the movements and edges that the event makes.
type applying struct {
	*Set
	r         events.Recorded
	movements int
	edges     int
	ops       int
	stirred   []events.Code // charges into which something else came than is known of what was drawn from them
}

func (a *applying) apply() error {
	switch e := a.r.Data.(type) {
	case events.SiteDefined, events.PlaceDefined, events.SupplierDefined, events.BuyerDefined,
		events.IngredientDefined, events.FormulaDefined, events.VatDefined, events.MouldDefined, events.DesignDefined,
		events.SchemeDefined, events.PersonErased:
		a.Defs, _ = a.Defs.With(a.r)
		return nil
	case events.IngredientReceived:
		return a.received(e)
	case events.PortionOpened:
		return a.opened(e)
	case events.ChocolateMelted:
		return a.melted(e)
	case events.VatEmptied:
		return a.emptied(e)
	case events.GanacheMade:
		return a.ganacheMade(e)
	case events.RunStarted:
		a.started(e.Run, &e.Start, e.Expiry)
		return nil
	case events.ShellsCast:
		return a.shellsCast(e)
	case events.PiecesDecorated:
		return a.decorated(e)
	case events.MouldsFilled:
		return a.filled(e)
	case events.MouldsCapped:
		return a.capped(e)
	case events.PiecesTurnedOut:
		return a.turnedOut(e)
	case events.PiecesReleased:
		return a.released(e)
	case events.StockMoved:
		return a.moved(e)
	case events.PiecesSold:
		return a.sold(e)
	case events.PiecesGiven:
		return a.given(e)
	case events.StockDiscarded:
		return a.discarded(e)
	case events.StockCounted:
		return a.counted(e)
	case events.BoxesPacked:
		return a.packed(e)
	case events.BoxesOpened:
		return a.unboxed(e)
	case events.HoldPlaced:
		a.holdPlaced(e)
		return nil
	case events.HoldLifted:
		return a.holdLifted(e)
	case events.Checked:
		return a.checked(e)
	case events.DeviationOpened:
		a.deviationOpened(e)
		return nil
	case events.DeviationDecided:
		return a.deviationDecided(e)
	case events.Redated:
		a.redated(e)
		return nil
	case events.RecallOpened:
		a.recallOpened(e)
		return nil
	case events.RecallNarrowed:
		return a.recallNarrowed(e)
	case events.RecallClosed:
		return a.recallClosed(e)
	case events.LabelPrinted:
		return a.labelPrinted(e)
	case events.CommandCorrected:
		for _, r := range e.Events { // what it changes, changes in the place of what it corrects
			a.reserve(r.Data)
		}
		return nil
	}
	return fmt.Errorf("no rule says what it changes")
}

// give puts a new code's number into its day's counter, so that the next one is one more.
func (a *applying) give(code events.Code) {
	_, sequence, _ := code.Numbers()
	key := SequenceKey{Kind: code.Kind(), Day: code.Day()}
	if last := a.Sequences.get(key); last == nil || *last < sequence {
		a.Sequences.put(key, sequence)
	}
}

// shift changes one line of stock and notes the movement. A line that is not there yet is opened with what its
// thing says of dates and holds.
func (a *applying) shift(key StockKey, delta int64, m Movement) error {
	return a.shiftLine(key, delta, m, true)
}

// shiftLine is shift, told whether a count anchors the line against the change: what only becomes another line of the
// same thing at the same place is not what a count counts.
func (a *applying) shiftLine(key StockKey, delta int64, m Movement, anchored bool) error {
	if a.isOutside(key.Code) {
		a.movements++
		return nil
	}
	line := a.Stock.edit(key)
	if line == nil {
		if a.Line(key) == nil {
			a.Stock.put(key, a.newLine(key))
			a.index(key)
		}
		line = a.Stock.edit(key)
	}
	at := a.r.OccurredAt
	if line.LastAt.Before(at) {
		line.LastAt = at
	}
	if line.ArrivedAt.IsZero() {
		line.ArrivedAt = at
	}
	absorbed := anchored && line.countedAfter(at)
	if absorbed {
		a.note(line, at, delta, m)
		return a.absorb(line, delta)
	}
	if line.Amount+delta < 0 && a.cut == nil { // under a cut, what came later may be missing still
		return &tooLittle{code: key.Code, key: key, short: -(line.Amount + delta)}
	}
	if delta > 0 && (line.Amount == 0 || at.Before(line.ArrivedAt)) {
		line.ArrivedAt = at
	}
	line.Amount += delta
	a.note(line, at, delta, m)
	return nil
}

// absorb takes back what an entry from before a count changed: the count's difference changes by it, and not what is
// on hand.
func (a *applying) absorb(line *StockLine, delta int64) error {
	count, found := a.nextCount(line.counted(), a.r.OccurredAt)
	if !found {
		return fmt.Errorf("no count of %s at %s after %s", line.Code, line.Place, a.r.OccurredAt)
	}
	if delta != 0 {
		number := a.movements
		a.movements = -number // so that those of the event keep their numbers, whatever was counted since
		a.note(line, count, -delta, Movement{Cause: CauseAbsorbed})
		a.movements = number
	}
	return nil
}

// note writes a movement down. Its weight is that of the pieces, or the mass itself.
func (a *applying) note(line *StockLine, at time.Time, delta int64, m Movement) {
	m.Position, m.Number, m.Event, m.OccurredAt, m.StockKey, m.Delta = a.r.Position, a.movements, a.r.ID, at, line.StockKey, delta
	m.Subject = line.Subject
	m.Day = civil.DayOf(at, a.Defs.Zone(a.Defs.SiteOf(line.Place)))
	size := events.Mass(max(delta, -delta))
	if line.Grade != "" {
		size *= line.PieceMass
	}
	m.Weight = size
	a.movements++
	if a.isOutside(line.Code) {
		return
	}
	a.Movements = append(a.Movements, m)
	if a.keeps(line.Code) {
		appendTo(&a.kept, line.Code, m)
	}
}

func (a *applying) newLine(key StockKey) StockLine {
	line := StockLine{StockKey: key}
	switch key.Code.Kind() {
	case events.KindLot:
		lot := a.Lot(key.Code)
		line.Subject, line.Site, line.Held, line.Dates = lot.Ingredient, lot.Site, lot.Held(), datesOf(lot.Expiry)
	case events.KindCharge:
		charge := a.Charge(key.Code)
		line.Site, line.Held = charge.Site, charge.Held()
	case events.KindGanache:
		ganache := a.Ganache(key.Code)
		line.Subject, line.Site, line.Held, line.Dates = ganache.Formula, ganache.Site, ganache.Held(), datesOf(ganache.Expiry)
	case events.KindRun:
		run := a.Run(key.Code)
		line.Subject, line.Site, line.Held, line.Dates = run.Design, run.Site, run.Held(), datesOf(run.Expiry)
		line.PieceMass = run.PieceMass
	case events.KindBox:
		box := a.Box(key.Code)
		line.Site, line.Held, line.Dates, line.PieceMass = box.Site, box.Held(), datesOf(box.Expiry), box.BoxMass
	default: // there is no other kind
	}
	for _, other := range a.LinesOf(key.Code) {
		if other.counted() == key.counted() {
			line.CountedAt = other.CountedAt
		}
	}
	return line
}

// link notes that one thing went into another.
func (a *applying) link(from, to events.Code, mass events.Mass, ingredient string) {
	e := Edge{
		Position: a.r.Position, Number: a.edges, From: from, To: to, OccurredAt: a.r.OccurredAt, Mass: mass, Ingredient: ingredient,
	}
	a.edges++
	if a.isOutside(from) && a.isOutside(to) {
		return
	}
	a.Edges = append(a.Edges, e)
	a.noteFlow(e)
}

// drawFrom takes a draw out of stock and gives what it was made of.
func (a *applying) drawFrom(d events.Draw, into events.Code) (Mix, error) {
	if d.Source == "" {
		a.link("", into, d.Quantity, d.Ingredient)
		return Mix{{Ingredient: d.Ingredient, Mass: d.Quantity, Direct: true}}, nil
	}
	if d.Source.Kind() == events.KindCharge {
		return a.drawCharge(d.Source, d.Quantity, into, useOther)
	}
	a.link(d.Source, into, d.Quantity, "")
	err := a.shift(StockKey{Code: d.Source, Place: d.Place}, -int64(d.Quantity), Movement{Cause: CauseDrawn})
	return a.MixOf(d.Source, d.Quantity), err
}

// drawCharge takes chocolate from a charge, every lot in proportion.
func (a *applying) drawCharge(code events.Code, quantity events.Mass, into events.Code, use string) (Mix, error) {
	taken, err := a.happen(code, ChargeOp{Kind: OpOut, Mass: quantity, Other: into, Use: use})
	if err != nil {
		return nil, err
	}
	a.link(code, into, quantity, "")
	return taken, a.shift(StockKey{Code: code, Place: a.Charge(code).Vat}, -int64(quantity), Movement{Cause: CauseDrawn})
}

// MixOf is what a quantity of a lot, portion, block or ganache is made of, by lot.
func (s *Set) MixOf(code events.Code, quantity events.Mass) Mix {
	if code.Kind() == events.KindGanache {
		return s.Ganache(code).Mix.Of(quantity)
	}
	lot := s.Lot(code.Whole())
	if len(lot.Mix) > 0 {
		return lot.Mix.Of(quantity)
	}
	return Mix{{Lot: lot.Code, Mass: quantity, Direct: true}}
}

func (a *applying) received(e events.IngredientReceived) error {
	a.give(e.Lot)
	a.Lots.put(e.Lot, lotReceived(a.r, e))
	a.Loaded(NeedThing(e.Lot))
	return a.shift(StockKey{Code: e.Lot, Place: e.Place}, int64(e.Quantity), Movement{Cause: CauseReceived})
}

// lotReceived is a delivery as it came in.
func lotReceived(r events.Recorded, e events.IngredientReceived) Lot {
	return Lot{
		Code: e.Lot, Ingredient: e.Ingredient, IngredientVersion: e.IngredientVersion, Supplier: e.Supplier,
		SupplierLot: e.SupplierLot, DateMark: e.DateMark, Received: e.Quantity, PriceMinor: e.PriceMinor,
		Currency: e.Currency, TemperatureC: e.ReceivedTemperatureC, DeliveryNote: e.DeliveryNote, Site: r.Site,
		At: r.OccurredAt, Allergens: e.Allergens, MayContain: e.MayContain, Composition: e.Composition, Expiry: e.Expiry,
	}
}

func (a *applying) opened(e events.PortionOpened) error {
	parent := a.Lot(e.Lot)
	if parent == nil {
		return fmt.Errorf("no lot %s", e.Lot)
	}
	whole := e.Lot.Whole()
	if a.Lot(whole) == nil {
		return fmt.Errorf("no lot %s", whole)
	}
	lot := a.Lots.edit(whole)
	_, _, part := e.Portion.Numbers()
	lot.Parts = max(lot.Parts, part)
	portion := *parent
	portion.Code, portion.Of, portion.At, portion.Expiry, portion.Parts = e.Portion, whole, a.r.OccurredAt, e.Expiry, 0
	portion.Received, portion.PriceMinor, portion.Care = e.Quantity, nil, Care{}
	portion.Opened, portion.Parting, portion.Labelled = true, Parting{}, Labelled{}
	if e.Lot.IsPart() {
		portion.Parted = &Parted{From: e.Lot, At: a.r.OccurredAt, Cause: CauseOpened}
	}
	a.Lots.put(e.Portion, portion)
	a.Loaded(NeedThing(e.Portion))
	if err := a.heldWith(e.Portion, e.Lot, parent.Holds); err != nil {
		return err
	}
	a.link(e.Lot, e.Portion, e.Quantity, "")
	if err := a.shift(StockKey{Code: e.Lot, Place: e.Place}, -int64(e.Quantity), Movement{Cause: CauseOpened}); err != nil {
		return err
	}
	return a.shift(StockKey{Code: e.Portion, Place: e.Place}, int64(e.Quantity), Movement{Cause: CauseOpened})
}

func (a *applying) melted(e events.ChocolateMelted) error {
	if e.NewCharge {
		a.give(e.Charge)
		a.Charges.put(e.Charge, Charge{
			Code: e.Charge, Vat: e.Vat, Chocolate: a.chocolateOf(e), Site: a.r.Site, At: a.r.OccurredAt, LastAt: a.r.OccurredAt,
		})
		a.Loaded(NeedThing(e.Charge), NeedOps(e.Charge))
		if err := a.begun(e); err != nil {
			return err
		}
	}
	for _, input := range e.Inputs {
		mix, err := a.drawFrom(input, e.Charge)
		if err != nil {
			return err
		}
		if err := a.pour(e.Charge, mix, input.Source); err != nil {
			return err
		}
	}
	return nil
}

// begun puts a new charge into its vat, which was emptied before.
func (a *applying) begun(e events.ChocolateMelted) error {
	if a.isOutside(e.Charge) {
		return nil
	}
	vat := a.Vat(e.Vat)
	if vat.Charge != "" && a.cut == nil {
		return fmt.Errorf("%s is in %s still", vat.Charge, e.Vat)
	}
	vat.Charge = e.Charge
	a.Vats.put(e.Vat, vat)
	return nil
}

func (a *applying) chocolateOf(e events.ChocolateMelted) string {
	if vat := a.Defs.Vats.Latest(e.Vat); vat != nil {
		return vat.Body.Chocolate
	}
	return ""
}

// pour adds to a charge. What has been through a vat was not put in by hand any more.
func (a *applying) pour(code events.Code, mix Mix, from events.Code) error {
	if _, err := a.happen(code, ChargeOp{Kind: OpIn, Mass: mix.Total(), Other: from, Mix: mix.poured()}); err != nil {
		return err
	}
	return a.shift(StockKey{Code: code, Place: a.Charge(code).Vat}, int64(mix.Total()), Movement{Cause: CauseMade})
}

func (a *applying) emptied(e events.VatEmptied) error {
	if a.Charge(e.Charge) == nil {
		return fmt.Errorf("no charge %s", e.Charge)
	}
	if last := a.Charge(e.Charge).LastAt; a.r.OccurredAt.Before(last) && !a.isOutside(e.Charge) && a.cut == nil {
		return fmt.Errorf("%s was used at %s, after it was emptied", e.Vat, last)
	}
	block, err := a.drained(e)
	if err != nil {
		return err
	}
	if _, err := a.happen(e.Charge, ChargeOp{Kind: OpEnded, Other: e.NextCharge}); err != nil {
		return err
	}
	ended := a.r.OccurredAt
	charge := a.Charges.edit(e.Charge)
	charge.EndedAt, charge.Cleaned = &ended, e.Cleaned
	if !a.isOutside(e.Charge) || e.NextCharge != "" && !a.isOutside(e.NextCharge) {
		vat := a.Vat(e.Vat)
		vat.Charge = e.NextCharge
		if e.Cleaned {
			vat.CleanedAt = &ended
		}
		a.Vats.put(e.Vat, vat)
	}
	if e.NextCharge != "" {
		if err := a.nextCharge(e); err != nil {
			return err
		}
	}
	if e.Block != nil {
		return a.blockSet(e, block)
	}
	return nil
}

// drained takes the rest out of a vat, and gives what a block is set of. To find a vat empty is a count: whatever is
// written down later of the time before, there is nothing in it now.
func (a *applying) drained(e events.VatEmptied) (block Mix, err error) {
	key := StockKey{Code: e.Charge, Place: e.Vat}
	if e.Block != nil {
		if block, err = a.happen(e.Charge, ChargeOp{Kind: OpOut, Mass: e.Quantity, Other: e.Block.Lot}); err != nil {
			return nil, err
		}
		a.link(e.Charge, e.Block.Lot, e.Quantity, "")
		if err := a.shift(key, -int64(e.Quantity), Movement{Cause: CauseDrawn}); err != nil {
			return nil, err
		}
	} else if e.Quantity > 0 {
		m := Movement{Cause: CauseDiscarded, Reason: e.Reason, Destination: e.Destination}
		if err := a.shift(key, -int64(a.restOf(e)), m); err != nil {
			return nil, err
		}
	}
	if err := a.shift(key, a.surplus(key, 0, 0), Movement{Cause: CauseCounted, Reason: reasonEmptied}); err != nil {
		return nil, err
	}
	a.anchor(key)
	return block, nil
}

// reasonEmptied is the reason of the count that an emptying is.
const reasonEmptied = "emptied"

// nextCharge starts a charge in a vat that was not cleaned: all that was in it clings.
func (a *applying) nextCharge(e events.VatEmptied) error {
	a.give(e.NextCharge)
	old := a.Charge(e.Charge)
	next := *old
	next.Vat = e.Vat // of the old one no more than its code may be known, where it is outside of what is folded
	next.Code, next.At, next.LastAt, next.EndedAt, next.Cleaned, next.Mix, next.Care = e.NextCharge, a.r.OccurredAt, a.r.OccurredAt, nil, false, nil, Care{}
	a.Charges.put(e.NextCharge, next)
	a.Loaded(NeedThing(e.NextCharge), NeedOps(e.NextCharge))
	if _, err := a.happen(e.NextCharge, ChargeOp{Kind: OpFilm, Other: e.Charge, Mix: old.Mix.Film()}); err != nil {
		return err
	}
	a.link(e.Charge, e.NextCharge, 0, "")
	return a.heldWith(e.NextCharge, e.Charge, old.Holds)
}

func (a *applying) blockSet(e events.VatEmptied, mix Mix) error {
	b := e.Block
	a.give(b.Lot)
	version := 0
	if def := a.Defs.Ingredients.InForce(b.Ingredient, a.r.OccurredAt); def != nil {
		version = def.Number
	}
	a.Lots.put(b.Lot, Lot{
		Code: b.Lot, Ingredient: b.Ingredient, IngredientVersion: version, DateMark: events.DateMark{Kind: "none"},
		Received: e.Quantity, Site: a.r.Site, At: a.r.OccurredAt, Mix: mix, Expiry: b.Expiry,
	})
	a.Loaded(NeedThing(b.Lot))
	if err := a.heldWith(b.Lot, e.Charge, a.Charge(e.Charge).Holds); err != nil {
		return err
	}
	return a.shift(StockKey{Code: b.Lot, Place: b.Place}, int64(e.Quantity), Movement{Cause: CauseMade})
}

// checked keeps a value that was measured on a batch, on its parts too, how a boiled one cools, and a temperature that was
// read. Any other finding stands in the log; what follows from it are events of their own.
func (a *applying) checked(e events.Checked) error {
	if reading, is := a.readingOf(a.r, e); is {
		a.Readings = append(a.Readings, reading)
	}
	if readsCooling(e.Code, e.Kind, e.Value) {
		return a.cooled(e)
	}
	if !measuresBatch(e.Code, e.Kind, e.Value) {
		return nil
	}
	if a.Ganache(e.Code) == nil {
		return fmt.Errorf("no ganache %s", e.Code)
	}
	codes := []events.Code{e.Code}
	for n := 1; !e.Code.IsPart() && n <= a.Ganache(e.Code).Parts; n++ {
		codes = append(codes, e.Code.Part(n))
	}
	for _, code := range codes {
		if a.Ganache(code) == nil { // what made the part was corrected
			continue
		}
		ganache := a.Ganaches.edit(code)
		if e.Kind == checkPH {
			ganache.PH = e.Value
		} else {
			ganache.WaterActivity = &events.MeasuredValue{Value: *e.Value, Uncertainty: e.Uncertainty}
		}
	}
	return nil
}

func (a *applying) ganacheMade(e events.GanacheMade) error {
	a.give(e.Ganache)
	var mix Mix
	var dated []DatedInput
	for _, input := range e.Inputs {
		dated = append(dated, a.ganacheInputs(input, a.r.OccurredAt, a.nextOp())...)
		part, err := a.drawFrom(input, e.Ganache)
		if err != nil {
			return err
		}
		mix = mix.Plus(part)
	}
	a.Ganaches.put(e.Ganache, Ganache{
		Code: e.Ganache, Formula: e.Formula, FormulaVersion: e.FormulaVersion, Site: a.r.Site, Place: e.Place,
		At: a.r.OccurredAt, Mix: mix, Dated: dated, Yield: e.Yield, Evaporated: e.Evaporated, HeatStep: e.HeatStep, PH: e.PH, WaterActivity: e.WaterActivity,
		PackedHot: e.PackedHot, Cooling: e.Cooling, Expiry: e.Expiry,
	})
	a.Loaded(NeedThing(e.Ganache))
	return a.shift(StockKey{Code: e.Ganache, Place: e.Place}, int64(e.Yield), Movement{Cause: CauseMade})
}
