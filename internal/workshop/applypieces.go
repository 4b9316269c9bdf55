package workshop

import (
	"fmt"
	"slices"
	"time"

	"github.com/google/uuid"

	"firstout/internal/events"
)

func later(a, b time.Time) time.Time {
	if a.After(b) {
		return a
	}
	return b
}

// started makes a run known by its first event.
func (a *applying) started(code events.Code, start *events.RunStart, expiry events.Expiry) {
	if start == nil {
		return
	}
	a.give(code)
	a.Runs.put(code, Run{
		Code: code, RunStart: *start, Site: a.r.Site, At: a.r.OccurredAt, State: StateStarted, Expiry: expiry,
		Allergens: Allergens{Contains: []string{}, MayContain: []string{}},
	})
	a.Loaded(NeedThing(code))
}

// The states of a run.
const (
	StateStarted   = "started"
	StateCast      = "cast"
	StateFilled    = "filled"
	StateCapped    = "capped"
	StateTurnedOut = "turned_out"
)

// step brings a run on.
func (r *Run) step(state string, at time.Time) {
	r.State = state
	if r.StepAt == nil || r.StepAt.Before(at) {
		r.StepAt = &at
	}
}

// run gives a run to change, after its first event made it if this is the one.
func (a *applying) run(code events.Code, start *events.RunStart, expiry events.Expiry) (*Run, error) {
	a.started(code, start, expiry)
	if a.Run(code) == nil {
		return nil, fmt.Errorf("no run %s", code)
	}
	run := a.Runs.edit(code)
	run.Expiry = expiry
	a.dateLines(code, expiry)
	return run, nil
}

// grow adds to what a run is made of.
func (a *applying) grow(run *Run, mix Mix) {
	run.Mix = run.Mix.Plus(mix)
	run.Allergens = a.allergensOf(run.Mix, run.Site)
}

// remadeBoxes gives the boxes with pieces of a run what those turn out to be made of.
func (a *applying) remadeBoxes(run events.Code) error {
	for _, box := range a.Run(run).Boxes {
		if err := a.remade(box); err != nil {
			return err
		}
	}
	return nil
}

func (a *applying) shellsCast(e events.ShellsCast) error {
	run, err := a.run(e.Run, e.Start, e.Expiry)
	if err != nil {
		return err
	}
	run.Straight = append(slices.Clip(run.Straight), a.chargeInputs(e.Draw.Charge, a.r.OccurredAt, a.nextOp())...)
	mix, err := a.drawCharge(e.Draw.Charge, e.Draw.Net(), e.Run, useShell)
	if err != nil {
		return err
	}
	run.step(StateCast, a.r.OccurredAt)
	run.Cast = true
	run.Shell += e.Draw.Net()
	run.ShellMix = run.ShellMix.Plus(mix)
	a.grow(run, mix)
	return nil
}

// chargeInputs lists the lots of a charge whose dates count for a draw from it at an instant.
func (s *Set) chargeInputs(code events.Code, at time.Time, op OpKey) []DatedInput {
	charge := s.Charge(code)
	if charge == nil || s.undated() {
		return nil
	}
	if s.isOutside(code) && op != (OpKey{}) {
		return s.mixBefore(code, op).dated(at, op, s.Defs.TraceAt(charge.Site))
	}
	return s.mixAt(charge, at).dated(at, op, s.Defs.TraceAt(charge.Site))
}

func (a *applying) decorated(e events.PiecesDecorated) error {
	run, err := a.run(e.Run, e.Start, e.Expiry)
	if err != nil {
		return err
	}
	for _, input := range e.Inputs {
		run.Straight = append(slices.Clip(run.Straight), a.datedSources(input.Source, a.r.OccurredAt, a.nextOp())...)
		mix, err := a.drawFrom(input, e.Run)
		if err != nil {
			return err
		}
		run.Decorated += input.Quantity
		a.grow(run, mix)
	}
	return a.remadeBoxes(e.Run)
}

// datedSources lists what of a source counts for a date: of a charge its lots, of a lot itself.
func (s *Set) datedSources(source events.Code, at time.Time, op OpKey) []DatedInput {
	switch kind := source.Kind(); {
	case kind == events.KindCharge:
		return s.chargeInputs(source, at, op)
	case kind == events.KindLot && !s.undated():
		return []DatedInput{{Source: source, At: at}}
	default:
		return nil
	}
}

// ganacheInputs lists what of a draw counts for the date of the ganache that it goes into.
func (s *Set) ganacheInputs(draw events.Draw, at time.Time, op OpKey) []DatedInput {
	inputs := s.datedSources(draw.Source, at, op)
	if draw.Source.Kind() == events.KindGanache && !s.undated() {
		inputs = []DatedInput{{Source: draw.Source, At: at}}
	}
	for i := range inputs {
		inputs[i].Heated = draw.Heated
	}
	return inputs
}

// filledSources lists what of a source that was filled in straight counts for a date.
func (s *Set) filledSources(source events.Code, at time.Time, op OpKey) []DatedInput {
	inputs := s.datedSources(source, at, op)
	for i := range inputs {
		inputs[i].Filling = source.Kind() == events.KindLot
	}
	return inputs
}

func (a *applying) filled(e events.MouldsFilled) error {
	run, err := a.run(e.Run, e.Start, e.Expiry)
	if err != nil {
		return err
	}
	if !run.Cast && a.cut == nil {
		return fmt.Errorf("%s has no shells", e.Run)
	}
	for _, filling := range e.Fillings {
		if filling.Source.Kind() == events.KindGanache {
			if !slices.Contains(run.Ganaches, filling.Source) {
				run.Ganaches = append(slices.Clip(run.Ganaches), filling.Source)
			}
			run.FilledAt = run.FilledAt.with(filling.Source, a.r.OccurredAt)
			run.FilledOf = run.FilledOf.with(filling.Source, filling.Quantity)
		} else {
			run.Straight = append(slices.Clip(run.Straight), a.filledSources(filling.Source, a.r.OccurredAt, a.nextOp())...)
		}
		mix, err := a.drawFrom(filling, e.Run)
		if err != nil {
			return err
		}
		run.Filled += filling.Quantity
		a.grow(run, mix)
	}
	run.step(StateFilled, a.r.OccurredAt)
	return nil
}

// capped closes the run's pieces. What is scraped off the caps carries what it met back into the vat as films.
func (a *applying) capped(e events.MouldsCapped) error {
	run, err := a.run(e.Run, e.Start, e.Expiry)
	if err != nil {
		return err
	}
	if !run.Cast && a.cut == nil {
		return fmt.Errorf("%s has no shells", e.Run)
	}
	met := a.metBy(run, e.Draw.Charge)
	run.Straight = append(slices.Clip(run.Straight), a.chargeInputs(e.Draw.Charge, a.r.OccurredAt, a.nextOp())...)
	mix, err := a.drawCharge(e.Draw.Charge, e.Draw.Net(), e.Run, useCap)
	if err != nil {
		return err
	}
	run.CapMass += e.Draw.Net()
	run.step(StateCapped, a.r.OccurredAt)
	a.grow(run, mix)
	if e.Draw.Returned > 0 && run.Filled > 0 {
		if _, err := a.happen(e.Draw.Charge, ChargeOp{Kind: OpFilm, Other: e.Run, Mix: met}); err != nil {
			return err
		}
		a.link(e.Run, e.Draw.Charge, 0, "")
	}
	return nil
}

func (a *applying) turnedOut(e events.PiecesTurnedOut) error {
	if a.Run(e.Run) == nil {
		return fmt.Errorf("no run %s", e.Run)
	}
	run := a.Runs.edit(e.Run)
	run.step(StateTurnedOut, a.r.OccurredAt)
	run.PieceMass = e.PieceMass
	run.Good += e.Good
	run.Seconds += e.Seconds
	run.Broken += e.Broken
	run.Unfilled += e.Unfilled
	run.Eaten += e.Eaten
	run.LeftInMould += e.LeftInMould
	if !a.isOutside(e.Run) && a.cut == nil && (!run.Cast || run.TurnedOut() > run.Cavities) {
		return fmt.Errorf("%d pieces of %s came out of %d cavities", run.TurnedOut(), e.Run, run.Cavities)
	}
	stands := func(grade string, pieces int) error {
		if pieces == 0 {
			return nil
		}
		return a.shift(StockKey{Code: e.Run, Place: e.Place, Grade: grade, Unreleased: true}, int64(pieces), Movement{Cause: CauseTurnedOut})
	}
	seconds, unfilled := e.Seconds, e.Unfilled
	if e.BrokenTo == BrokenToSeconds {
		seconds += e.Broken
	}
	if e.UnfilledTo != nil {
		unfilled = 0
		if err := a.shellsMelted(run, *e.UnfilledTo); err != nil {
			return err
		}
	}
	for _, s := range []struct {
		grade  string
		pieces int
	}{{GradeFirst, e.Good}, {GradeSecond, seconds}, {GradeUnfilled, unfilled}} {
		if err := stands(s.grade, s.pieces); err != nil {
			return err
		}
	}
	if e.BrokenTo != BrokenToSeconds {
		a.gone(run, e, e.Broken, "damaged", "refuse")
	}
	a.gone(run, e, e.Eaten, "staff", "other")
	a.gone(run, e, e.LeftInMould, "process_loss", "refuse")
	return nil
}

// BrokenToSeconds and BrokenToBin are where broken pieces go.
const (
	BrokenToBin     = "bin"
	BrokenToSeconds = "seconds"
)

// gone notes pieces that never stood anywhere: they came out of the moulds and went at once.
func (a *applying) gone(run *Run, e events.PiecesTurnedOut, pieces int, reason, destination string) {
	if pieces == 0 {
		return
	}
	key := StockKey{Code: e.Run, Place: e.Place, Grade: gradeBroken, Unreleased: true}
	line := &StockLine{StockKey: key, Subject: run.Design, Site: run.Site, PieceMass: e.PieceMass}
	a.note(line, a.r.OccurredAt, int64(pieces), Movement{Cause: CauseTurnedOut})
	a.note(line, a.r.OccurredAt, -int64(pieces), Movement{Cause: CauseDiscarded, Reason: reason, Destination: destination})
}

// shellsMelted puts unfilled shells back into a vat, with the lots they were cast of.
func (a *applying) shellsMelted(run *Run, to events.ShellsToVat) error {
	a.link(run.Code, to.Charge, to.Quantity, "")
	return a.pour(to.Charge, run.ShellMix.Of(to.Quantity), run.Code)
}

func (a *applying) released(e events.PiecesReleased) error {
	if a.Run(e.Run) == nil {
		return fmt.Errorf("no run %s", e.Run)
	}
	from := StockKey{Code: e.Run, Place: e.From, Grade: e.Grade, Unreleased: true}
	to := StockKey{Code: e.Run, Place: e.Place, Grade: e.Grade}
	elsewhere := e.From != e.Place
	if err := a.shiftLine(from, -int64(e.Pieces), Movement{Cause: CauseReleased, Other: e.Place}, elsewhere); err != nil {
		return err
	}
	run := a.Runs.edit(e.Run)
	run.Released += e.Pieces
	if at := a.r.OccurredAt; run.ReleasedAt == nil || at.Before(*run.ReleasedAt) {
		run.ReleasedAt = &at
	}
	run.Allergens = a.allergensOf(run.Mix, run.Site)
	if err := a.remadeBoxes(e.Run); err != nil {
		return err
	}
	return a.shiftLine(to, int64(e.Pieces), Movement{Cause: CauseReleased, Other: e.From}, elsewhere)
}

func (a *applying) moved(e events.StockMoved) error {
	for _, l := range e.Lines {
		from := StockKey{Code: l.Code, Place: e.From, Grade: l.Grade, Unreleased: l.Unreleased}
		to := from
		to.Place = e.To
		cause := CauseMoved
		if l.NewCode != "" {
			if err := a.parted(l); err != nil {
				return err
			}
			to.Code, cause = l.NewCode, CauseParted
		}
		amount := amountOf(l.Amount)
		if err := a.shift(from, -amount, Movement{Cause: cause, Other: e.To}); err != nil {
			return err
		}
		if err := a.shift(to, amount, Movement{Cause: cause, Other: e.From}); err != nil {
			return err
		}
	}
	return nil
}

func amountOf(a events.Amount) int64 {
	if a.Pieces != 0 {
		return int64(a.Pieces)
	}
	return int64(a.Quantity)
}

func (a *applying) sold(e events.PiecesSold) error {
	m := Movement{Cause: CauseSold, Channel: e.Channel, Buyer: e.Buyer, Reference: e.Reference}
	for _, l := range e.Lines {
		if err := a.taken(e.Place, l.Allocations, m); err != nil {
			return err
		}
	}
	return nil
}

func (a *applying) given(e events.PiecesGiven) error {
	for _, l := range e.Lines {
		if err := a.taken(e.Place, l.Allocations, Movement{Cause: CauseGiven, Reason: e.Occasion}); err != nil {
			return err
		}
	}
	return nil
}

func (a *applying) taken(place string, allocations []events.Allocation, m Movement) error {
	for _, al := range allocations {
		m.How = al.How
		key := StockKey{Code: al.Code, Place: place, Grade: al.Grade, Unreleased: al.Unreleased}
		if line := a.Line(key); line != nil && line.Held {
			if err := a.goneBefore(al); err != nil {
				return err
			}
		}
		if err := a.shift(key, -int64(al.Pieces), m); err != nil {
			return err
		}
	}
	return nil
}

// goneBefore lists pieces that went before a hold was placed, and are written down after it, on that hold.
func (a *applying) goneBefore(al events.Allocation) error {
	if a.isOutside(al.Code) {
		return nil
	}
	if !a.Exists(al.Code) {
		return fmt.Errorf("no run or box %s", al.Code)
	}
	for _, id := range a.careOf(al.Code).Holds {
		if a.Hold(id) == nil {
			return fmt.Errorf("no hold %s", id)
		}
		if !a.Hold(id).PlacedAt.After(a.r.OccurredAt) {
			continue
		}
		hold := a.Holds.edit(id)
		hold.SoldBefore = append(slices.Clip(hold.SoldBefore), SoldBefore{Event: a.r.ID, Code: al.Code, Pieces: al.Pieces})
		slices.SortStableFunc(hold.SoldBefore, SoldBefore.compare)
	}
	return nil
}

func (a *applying) discarded(e events.StockDiscarded) error {
	m := Movement{Cause: CauseDiscarded, Reason: e.Reason, Destination: e.Destination}
	for _, l := range e.Lines {
		if l.Code.Kind() == events.KindCharge {
			if err := a.discardCharge(l, m); err != nil {
				return err
			}
			continue
		}
		key := StockKey{Code: l.Code, Place: e.Place, Grade: l.Grade, Unreleased: l.Unreleased}
		if err := a.shift(key, -amountOf(l.Amount), m); err != nil {
			return err
		}
	}
	return nil
}

func (a *applying) discardCharge(l events.DiscardedLine, m Movement) error {
	if _, err := a.happen(l.Code, ChargeOp{Kind: OpOut, Mass: l.Quantity}); err != nil {
		return err
	}
	return a.shift(StockKey{Code: l.Code, Place: a.Charge(l.Code).Vat}, -int64(l.Quantity), m)
}

func (a *applying) counted(e events.StockCounted) error {
	for _, l := range e.Lines {
		key := StockKey{Code: l.Code, Place: e.Place, Grade: l.Grade, Unreleased: l.Unreleased}
		m := Movement{Cause: CauseCounted, Reason: e.Reason}
		delta := amountOf(l.Found) - amountOf(l.Had)
		if e.Reason == reasonBookShort { // nobody counted
			m.Cause = CauseBookShort
		} else {
			delta = a.surplus(key, amountOf(l.Found), amountOf(l.Had))
		}
		if err := a.shift(key, delta, m); err != nil {
			return err
		}
		if m.Cause == CauseCounted {
			a.anchor(key)
		}
		if l.Code.Kind() == events.KindCharge {
			if _, err := a.happen(l.Code, ChargeOp{Kind: OpFound, Mass: events.Mass(delta)}); err != nil {
				return err
			}
		}
	}
	return nil
}

// anchor makes a count known on every line of what was counted.
func (a *applying) anchor(key StockKey) {
	at := a.r.OccurredAt
	a.noteCount(key.counted(), at)
	for _, line := range a.LinesOf(key.Code) {
		if line.counted() == key.counted() && (line.CountedAt == nil || line.CountedAt.Before(at)) {
			a.Stock.edit(line.StockKey).CountedAt = &at
		}
	}
}

// care changes what stands against a thing, and the held mark of its stock.
func (a *applying) care(code events.Code, change func(*Care)) {
	held := false
	switch {
	case !a.Exists(code):
		return
	case code.Kind() == events.KindLot:
		thing := a.Lots.edit(code)
		change(&thing.Care)
		held = thing.Held()
	case code.Kind() == events.KindCharge:
		thing := a.Charges.edit(code)
		change(&thing.Care)
		held = thing.Held()
	case code.Kind() == events.KindGanache:
		thing := a.Ganaches.edit(code)
		change(&thing.Care)
		held = thing.Held()
	case code.Kind() == events.KindRun:
		thing := a.Runs.edit(code)
		change(&thing.Care)
		held = thing.Held()
	case code.Kind() == events.KindBox:
		thing := a.Boxes.edit(code)
		change(&thing.Care)
		held = thing.Held()
	}
	for _, line := range a.LinesOf(code) {
		if line.Held != held {
			a.Stock.edit(line.StockKey).Held = held
		}
	}
}

func (a *applying) holdPlaced(e events.HoldPlaced) {
	id := a.r.ID
	a.Holds.put(id, Hold{
		ID: id, Code: e.Code, Place: e.Place, Downstream: e.Downstream, Reason: e.Reason, Cause: e.Cause, Deviation: e.Deviation,
		Codes: codeSet(e.Codes), Site: a.r.Site, PlacedAt: a.r.OccurredAt,
	})
	for _, code := range e.Codes {
		a.care(code, func(c *Care) { c.Holds = append(slices.Clip(c.Holds), id) })
	}
	if e.Place != "" && e.Deviation != nil && a.Deviation(*e.Deviation) != nil {
		a.Deviations.edit(*e.Deviation).Hold = &id
	}
}

// heldWith passes the holds of what a thing came out of on to it. The holds take it in, so that lifting one frees
// it too.
func (a *applying) heldWith(code, from events.Code, holds []uuid.UUID) error {
	for _, id := range slices.Concat(holds, a.liftedSince(code, from)) {
		if a.partial != nil && !a.passedOn(id, code, from) {
			continue
		}
		if a.Hold(id) == nil {
			return fmt.Errorf("no hold %s", id)
		}
		hold := a.Holds.edit(id)
		hold.Codes = codeSet(append(slices.Clip(hold.Codes), code))
		a.care(code, func(c *Care) { c.Holds = append(slices.Clip(c.Holds), id) })
	}
	return nil
}

func (a *applying) holdLifted(e events.HoldLifted) error {
	if a.Hold(e.Hold) == nil {
		return fmt.Errorf("no hold %s", e.Hold)
	}
	at := a.r.OccurredAt
	a.Holds.edit(e.Hold).LiftedAt = &at
	for _, code := range e.Codes {
		a.care(code, func(c *Care) {
			c.Holds = slices.DeleteFunc(slices.Clone(c.Holds), func(id uuid.UUID) bool { return id == e.Hold })
		})
	}
	return nil
}

func (a *applying) deviationOpened(e events.DeviationOpened) {
	a.Deviations.put(a.r.ID, Deviation{
		ID: a.r.ID, Code: e.Code, Place: e.Place, Concern: e.Concern, Rule: e.Rule, Detail: e.Detail, Value: e.Value,
		Band: e.Band, Site: a.r.Site, OpenedAt: a.r.OccurredAt,
	})
	if e.Rule == ruleOffFormula && a.Ganache(e.Code) != nil {
		a.Ganaches.edit(e.Code).OffFormula = true
	}
	if e.Rule == ruleLateCooling && a.Ganache(e.Code) != nil {
		a.Ganaches.edit(e.Code).CooledLate = true
	}
	if e.Code != "" {
		a.care(e.Code, func(c *Care) {
			c.Deviations = append(slices.Clip(c.Deviations), OpenDeviation{ID: a.r.ID, Concern: e.Concern})
		})
	}
}

func (a *applying) deviationDecided(e events.DeviationDecided) error {
	if a.Deviation(e.Deviation) == nil {
		return fmt.Errorf("no deviation %s", e.Deviation)
	}
	at := a.r.OccurredAt
	deviation := a.Deviations.edit(e.Deviation)
	deviation.Decision, deviation.DecidedAt = &e, &at
	if e.Code != "" {
		a.care(e.Code, func(c *Care) {
			c.Deviations = slices.DeleteFunc(slices.Clone(c.Deviations), func(o OpenDeviation) bool { return o.ID == e.Deviation })
		})
	}
	return nil
}

// redated writes a thing's new date on it and on its stock, and why, where it is for times out of its class.
func (a *applying) redated(e events.Redated) {
	switch {
	case !a.Exists(e.Code):
		return
	case e.Code.Kind() == events.KindLot:
		a.Lots.edit(e.Code).Expiry = e.Expiry
	case e.Code.Kind() == events.KindGanache:
		ganache := a.Ganaches.edit(e.Code)
		ganache.Expiry = e.Expiry
		if e.Spells != nil {
			ganache.Spells = e.Spells
		}
	case e.Code.Kind() == events.KindRun:
		run := a.Runs.edit(e.Code)
		run.Expiry = e.Expiry
		if e.Spells != nil {
			run.Spells = e.Spells
		}
	case e.Code.Kind() == events.KindBox:
		box := a.Boxes.edit(e.Code)
		box.Expiry = e.Expiry
		if e.Spells != nil {
			box.Spells = e.Spells
		}
	}
	a.dateLines(e.Code, e.Expiry)
}

// dateLines writes a thing's date on its stock.
func (a *applying) dateLines(code events.Code, expiry events.Expiry) {
	for _, line := range a.LinesOf(code) {
		a.Stock.edit(line.StockKey).Dates = datesOf(expiry)
	}
}
