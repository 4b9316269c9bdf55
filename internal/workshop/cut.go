package workshop

import (
	"slices"
	"time"

	"github.com/google/uuid"

	"firstout/internal/events"
)

// This file folds the book as it was, or as it was known: what had occurred by an instant, of what had been recorded by a
// position, with the corrections recorded by then. Dates are those of the events; none is worked out anew.

// Cut says which part of the log counts.
type Cut struct {
	Known int64     // position: what was recorded later is left out, corrections too
	At    time.Time // what occurred later is left out
}

// cut is the cut of a set that folds the past, and where things came to be among the events that it folds. What an event
// names may have come later than the event is said to have happened (late entries as already done): it is there then,
// with nothing of it in stock.
type cut struct {
	Cut
	births map[events.Code]events.Recorded
}

// NewOutside is an empty set for what is outside a fold of the past: things of which nothing was recorded after the cut about
// the time before, and what was drawn then of the charges among them.
func NewOutside() *Set { return NewSet(&Definitions{}, true) }

// NewPast is an empty set for the past of some wholes, from all events that touch them. What else these touch is outside:
// it has the mix that it has in outside, and is only a name if it is not there. What holds it is not looked at, so no
// hold may pass from there into the wholes: see Flows.
func NewPast(wholes []events.Code, recorded []events.Recorded, outside *Set) *Set {
	p := &partial{of: map[events.Code]struct{}{}, vats: map[string]struct{}{}, ids: map[uuid.UUID]struct{}{}}
	for _, whole := range wholes {
		p.of[whole] = struct{}{}
	}
	outside.careless()
	for _, r := range recorded {
		p.note(r.ID, r.Data)
		for _, code := range r.Codes() {
			if !p.has(code) {
				outside.name(code)
				outside.name(code.Whole())
			}
		}
		if corrected, is := r.Data.(events.CommandCorrected); is {
			for _, e := range corrected.Events {
				p.note(e.ID, e.Data)
			}
		}
	}
	return outside.partly(p)
}

// careless takes from the things of a set what stands against them now.
func (s *Set) careless() {
	for _, lot := range s.Lots.all() {
		lot.Care = Care{}
	}
	for _, charge := range s.Charges.all() {
		charge.Care = Care{}
	}
	for _, ganache := range s.Ganaches.all() {
		ganache.Care = Care{}
	}
}

// FoldPast folds events, in the order of positions, under a cut. The catalogue is that of the whole book; a set of the
// whole book reads it from the events and needs none.
func (s *Set) FoldPast(cut Cut, catalogue *Definitions, recorded []events.Recorded) error {
	known := len(recorded)
	for known > 0 && recorded[known-1].Position > cut.Known {
		known--
	}
	recorded = recorded[:known]
	c := CorrectionsIn(recorded)
	s.corrections, s.cut = c, newCut(cut, recorded, c)
	var then func(int64) *Definitions
	if catalogue != nil {
		then = catalogue.before()
	}
	for _, r := range recorded {
		if then != nil {
			s.Defs = then(r.Position)
		}
		if _, err := s.Fold(r, c); err != nil {
			return err
		}
	}
	return nil
}

func newCut(of Cut, recorded []events.Recorded, c *Corrections) *cut {
	births := map[events.Code]events.Recorded{}
	for _, r := range recorded {
		for _, e := range c.InPlace(r) {
			for _, code := range bornOf(e.Data) {
				if _, known := births[code]; !known {
					births[code] = e
				}
			}
		}
	}
	return &cut{Cut: of, births: births}
}

// BornAt is the position of the event by which a set of the past knows of a thing; 0 if none of its events brought it.
func (s *Set) BornAt(code events.Code) int64 {
	if s.cut == nil {
		return 0
	}
	return s.cut.births[code].Position
}

// undated says that the set folds the past, out of which no date is worked out: whose dates counted for the date of a run or a
// ganache (Run.Straight, Ganache.Dated) is left empty under every cut, since of charges outside it is not known. Only
// what works a date out reads these two: decisions, corrections, and Shed beside them; none of them is made on the past.
func (s *Set) undated() bool { return s.cut != nil }

// leavesOut says that an event does not count under the set's cut. Definitions say how things are, not what happened: they
// count from their positions on.
func (s *Set) leavesOut(e events.Recorded) bool {
	return s.cut != nil && e.OccurredAt.After(s.cut.At) && len(e.Codes()) > 0
}

// ready names what an event is about and is not there yet, and says whether the event changes anything at all.
func (s *Set) ready(e events.Recorded) bool {
	switch data := e.Data.(type) {
	case events.RecallOpened, events.RecallNarrowed, events.RecallClosed:
		return false
	case events.HoldPlaced, events.DeviationOpened, events.Redated, events.CommandCorrected:
		return true
	case events.HoldLifted:
		return s.Hold(data.Hold) != nil
	case events.DeviationDecided:
		return s.Deviation(data.Deviation) != nil
	case events.Checked:
		return data.Code == "" || s.Exists(data.Code)
	case events.LabelPrinted:
		return s.Exists(data.Code)
	}
	born := bornOf(e.Data)
	for _, code := range e.Data.Touches() {
		if code != "" && !slices.Contains(born, code) {
			s.bare(code, e)
		}
	}
	return true
}

// bare puts a thing into the set that an event names before it came to be.
func (s *Set) bare(code events.Code, by events.Recorded) {
	if s.Exists(code) || s.absent.get(code) != nil {
		return
	}
	if code.IsPart() {
		s.bare(code.Whole(), by)
		s.barePart(code, by)
		return
	}
	birth := s.cut.births[code]
	birth.Site, birth.OccurredAt = by.Site, by.OccurredAt
	switch e := birth.Data.(type) {
	case events.IngredientReceived:
		s.Lots.put(code, lotReceived(birth, e))
	case events.ChocolateMelted:
		s.Charges.put(code, Charge{Code: code, Vat: e.Vat, Site: by.Site, At: by.OccurredAt})
	case events.VatEmptied:
		if code.Kind() == events.KindCharge {
			s.Charges.put(code, Charge{Code: code, Vat: e.Vat, Site: by.Site, At: by.OccurredAt})
		} else {
			s.Lots.put(code, Lot{Code: code, Ingredient: e.Block.Ingredient, Site: by.Site, At: by.OccurredAt, Expiry: e.Block.Expiry})
		}
	case events.GanacheMade:
		s.Ganaches.put(code, Ganache{
			Code: code, Formula: e.Formula, FormulaVersion: e.FormulaVersion, Site: by.Site, Place: e.Place, At: by.OccurredAt, Expiry: e.Expiry,
		})
	case events.RunStarted:
		s.bareRun(code, by, &e.Start, e.Expiry)
	case events.ShellsCast:
		s.bareRun(code, by, e.Start, e.Expiry)
	case events.PiecesDecorated:
		s.bareRun(code, by, e.Start, e.Expiry)
	case events.BoxesPacked:
		s.Boxes.put(code, Box{Code: code, Name: e.Name, Contents: e.Contents, Site: by.Site, Place: e.Place, At: by.OccurredAt, Expiry: e.Expiry})
	default:
		s.name(code)
	}
}

func (s *Set) bareRun(code events.Code, by events.Recorded, start *events.RunStart, expiry events.Expiry) {
	s.Runs.put(code, Run{
		Code: code, RunStart: *start, Site: by.Site, At: by.OccurredAt, State: StateStarted, Expiry: expiry,
		Allergens: Allergens{Contains: []string{}, MayContain: []string{}},
	})
}

// barePart is a part that is named before it parted: what its whole is.
func (s *Set) barePart(code events.Code, by events.Recorded) {
	whole := code.Whole()
	if !s.Exists(whole) {
		return
	}
	way := Parting{Parted: &Parted{From: whole, At: by.OccurredAt}}
	switch code.Kind() {
	case events.KindLot:
		part := *s.Lot(whole)
		part.Code, part.Of, part.Parts, part.Parting, part.Care = code, whole, 0, way, Care{}
		s.Lots.put(code, part)
	case events.KindGanache:
		part := *s.Ganache(whole)
		part.Code, part.Of, part.Parts, part.Parting, part.Care = code, whole, 0, way, Care{}
		s.Ganaches.put(code, part)
	case events.KindRun:
		part := *s.Run(whole)
		part.Code, part.Of, part.Parts, part.Parting, part.Care = code, whole, 0, way, Care{}
		s.Runs.put(code, part)
	case events.KindBox:
		part := *s.Box(whole)
		part.Code, part.Of, part.Parts, part.Parting, part.Care = code, whole, 0, way, Care{}
		s.Boxes.put(code, part)
	default: // nothing else has parts
	}
}

// name puts a thing into the set of which nothing is known but its code.
func (s *Set) name(code events.Code) {
	if s.Exists(code) {
		return
	}
	switch code.Kind() {
	case events.KindLot:
		s.Lots.put(code, Lot{Code: code})
	case events.KindCharge:
		s.Charges.put(code, Charge{Code: code})
	case events.KindGanache:
		s.Ganaches.put(code, Ganache{Code: code})
	case events.KindRun:
		s.Runs.put(code, Run{Code: code})
	case events.KindBox:
		s.Boxes.put(code, Box{Code: code})
	default: // an event that concerns no thing
	}
}

// next is a mix after something happened to it. Under a cut, what is drawn late of what came later is what there is.
func (s *Set) next(m Mix, op ChargeOp) (next, taken Mix, err error) {
	if s.cut != nil && op.Kind == OpOut {
		op.Mass = min(op.Mass, m.Total())
	}
	return m.after(op)
}

// A Flow says that what is known of one whole may rest on another.
type Flow struct {
	From, To events.Code
	Of       events.Code // From or the part of it that is named
	By       FlowKind
}

// FlowKind says what rests on it that something flowed into a thing.
type FlowKind byte

// The kinds of Flow.
const (
	FlowMixes FlowKind = iota + 1 // what it is made of
	FlowHolds                     // the same, and what holds it
	FlowAll                       // the same, and what there is of it
)

// Flows lists what an event had flow into what, by whole: what it was made of, and what may hold it.
func Flows(data events.Event) []Flow {
	var flows []Flow
	add := func(by FlowKind, to events.Code, from ...events.Code) {
		for _, code := range from {
			if code != "" && to != "" && code.Whole() != to.Whole() {
				flows = append(flows, Flow{From: code.Whole(), To: to.Whole(), Of: code, By: by})
			}
		}
	}
	switch e := data.(type) {
	case events.ChocolateMelted:
		add(FlowMixes, e.Charge, sourcesOf(e.Inputs)...)
	case events.VatEmptied:
		add(FlowHolds, e.NextCharge, e.Charge)
		if e.Block != nil {
			add(FlowHolds, e.Block.Lot, e.Charge)
		}
	case events.GanacheMade:
		add(FlowMixes, e.Ganache, sourcesOf(e.Inputs)...)
	case events.ShellsCast:
		add(FlowMixes, e.Run, e.Draw.Charge)
	case events.PiecesDecorated:
		add(FlowMixes, e.Run, sourcesOf(e.Inputs)...)
	case events.MouldsFilled:
		add(FlowMixes, e.Run, sourcesOf(e.Fillings)...)
	case events.MouldsCapped:
		add(FlowMixes, e.Run, e.Draw.Charge)
		if e.Draw.Returned > 0 {
			add(FlowAll, e.Draw.Charge, e.Run)
		}
	case events.PiecesTurnedOut:
		if e.UnfilledTo != nil {
			add(FlowAll, e.UnfilledTo.Charge, e.Run)
		}
	case events.BoxesPacked:
		for _, c := range e.Contents {
			add(FlowAll, e.Box, c.Run)
		}
	case events.BoxesOpened:
		for _, l := range e.Lines {
			add(FlowAll, l.NewCode, e.Box)
		}
	case events.HoldPlaced: // it falls away with what it is about
		for _, code := range e.Codes {
			add(FlowAll, code, e.Code)
		}
	}
	return flows
}
