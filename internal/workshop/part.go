package workshop

import (
	"fmt"
	"time"

	"firstout/internal/civil"
	"firstout/internal/events"
	"firstout/internal/expiry"
)

// This file is about parts: what goes on under a code of its own because its history differs from that of the thing it
// came out of. A part has its whole's kind and everything that the whole is made of, and its own date, holds and clock.

// Parting is how a part came to be. What is no part, or was opened as a portion of a whole lot, has none.
type Parting struct {
	Parted *Parted          `json:"parted,omitempty"`
	Frozen *events.Freezing `json:"frozen,omitempty"` // of what is in the freezer: its time there
}

// Parted is what a part came out of, when and why.
type Parted struct {
	From  events.Code `json:"from"`
	At    time.Time   `json:"at"`
	Cause string      `json:"cause"`
	Place string      `json:"place,omitempty"` // where it stayed, of what was carried nowhere
}

// since is when a thing came to be: a part, when it parted.
func (p Parting) since(made time.Time) time.Time {
	if p.Parted != nil {
		return p.Parted.At
	}
	return made
}

// FilledAt is when each filling that is in a run went into it; of several times the latest, by which the hours of a
// piping bag are judged.
type FilledAt map[events.Code]time.Time

// with is the same with one more filling: the map is never changed in place.
func (f FilledAt) with(filling events.Code, at time.Time) FilledAt {
	all := FilledAt{filling: at}
	for code, before := range f {
		all[code] = later(before, all[code])
	}
	return all
}

// FilledOf is how much of each ganache is in a run, all cavities.
type FilledOf map[events.Code]events.Mass

// with is the same with some more of one: the map is never changed in place.
func (f FilledOf) with(ganache events.Code, mass events.Mass) FilledOf {
	all := FilledOf{ganache: mass}
	for code, before := range f {
		all[code] += before
	}
	return all
}

// parted makes a part of what is moved where its history goes another way from here. Of several lines of one thing,
// other grades or pieces not released yet, one part is made.
func (a *applying) parted(l events.MovedLine) error {
	whole := l.Code.Whole()
	if l.Expiry == nil || l.Parting == nil || !a.Exists(whole) || !a.Exists(l.Code) {
		return fmt.Errorf("no %s to part", l.Code)
	}
	way := Parting{Parted: &Parted{From: l.Code, At: a.r.OccurredAt, Cause: l.Parting.Cause}}
	if moved, is := a.r.Data.(events.StockMoved); is && moved.From == moved.To && !moved.IntoBag {
		way.Parted.Place = moved.To
	}
	if l.Parting.Cause != events.PartedThawed {
		way.Frozen = l.Parting.Freezing
	}
	_, _, number := l.NewCode.Numbers()
	first := number > a.alike(whole).parts
	if a.folds(l.NewCode) { // a correction may have given a number out of turn
		first = !a.Exists(l.NewCode)
	}
	switch l.Code.Kind() {
	case events.KindRun:
		a.partRun(l, way, number, first)
	case events.KindBox:
		a.partBox(l, way, number, first)
	case events.KindLot:
		a.partLot(l, way, number, first)
	case events.KindGanache:
		a.partGanache(l, way, number, first)
	default:
		return fmt.Errorf("%s has no parts", l.Code)
	}
	if !first {
		return nil
	}
	a.Loaded(NeedThing(l.NewCode))
	return a.heldWith(l.NewCode, l.Code, a.careOf(l.Code).Holds)
}

func (a *applying) partRun(l events.MovedLine, way Parting, number int, first bool) {
	part := *a.Run(l.Code)
	a.link(l.Code, l.NewCode, part.PieceMass.Times(l.Pieces), "")
	if !first {
		return
	}
	whole := l.Code.Whole()
	a.Runs.edit(whole).Parts = max(number, a.alike(whole).parts)
	part.Code, part.Of, part.Expiry, part.Parts, part.Parting = l.NewCode, whole, *l.Expiry, 0, way
	part.Released, part.Boxes, part.Care, part.Labelled = 0, nil, Care{}, Labelled{}
	if l.Parting.Spells != nil {
		part.Spells = l.Parting.Spells
	}
	a.Runs.put(l.NewCode, part)
}

func (a *applying) partLot(l events.MovedLine, way Parting, number int, first bool) {
	a.link(l.Code, l.NewCode, l.Quantity, "")
	if !first {
		a.Lots.edit(l.NewCode).Received += l.Quantity
		return
	}
	part, whole := *a.Lot(l.Code), l.Code.Whole()
	a.Lots.edit(whole).Parts = max(number, a.alike(whole).parts)
	part.Code, part.Of, part.Expiry, part.Parts, part.Parting = l.NewCode, whole, *l.Expiry, 0, way
	part.Received, part.PriceMinor, part.Care, part.Labelled = l.Quantity, nil, Care{}, Labelled{}
	a.Lots.put(l.NewCode, part)
}

func (a *applying) partGanache(l events.MovedLine, way Parting, number int, first bool) {
	a.link(l.Code, l.NewCode, l.Quantity, "")
	if !first {
		a.Ganaches.edit(l.NewCode).Yield += l.Quantity
		return
	}
	part, whole := *a.Ganache(l.Code), l.Code.Whole()
	a.Ganaches.edit(whole).Parts = max(number, a.alike(whole).parts)
	part.Code, part.Of, part.Expiry, part.Parts, part.Parting = l.NewCode, whole, *l.Expiry, 0, way
	part.Yield, part.Care, part.Labelled = l.Quantity, Care{}, Labelled{}
	if l.Parting.Spells != nil {
		part.Spells = l.Parting.Spells
	}
	a.Ganaches.put(l.NewCode, part)
}

// labelled is the code of what stands at a place with a label on it: of what parted there from the rest of what the label
// names, while nobody has labelled it anew, the part's.
func (d *Desk) labelled(code events.Code, place string) events.Code {
	if !d.Set.Exists(code) || d.isAt(code, place) {
		return code
	}
	for _, part := range d.withParts(code) {
		if parted := d.Set.alike(part).Parted; parted != nil && parted.Place == place && !d.At.Before(parted.At) && d.isAt(part, place) {
			return part
		}
	}
	return code
}

// withParts is a thing and everything that parted from it, or was opened of it.
func (d *Desk) withParts(code events.Code) []events.Code {
	codes, whole := []events.Code{code}, code.Whole()
	parts := d.Set.alike(whole).parts
	if parts > 0 {
		d.Set.want(NeedParts(whole))
	}
	for n := 1; n <= parts; n++ {
		if part := whole.Part(n); part != code && d.Set.Exists(part) && d.Set.partedFrom(part, code) {
			codes = append(codes, part)
		}
	}
	return codes
}

// partedFrom says whether a part came out of a thing, or of a part that did.
func (s *Set) partedFrom(part, from events.Code) bool {
	for part.IsPart() && part != from {
		part = s.parentOf(part)
	}
	return part == from
}

// parentOf is what a part came out of.
func (s *Set) parentOf(part events.Code) events.Code {
	if parted := s.alike(part).Parted; parted != nil {
		return parted.From
	}
	return part.Whole()
}

// lineage is a thing and what it came out of, one after the other, up to the whole.
func (s *Set) lineage(code events.Code) []events.Code {
	line := []events.Code{code}
	for code.IsPart() {
		code = s.parentOf(code)
		line = append(line, code)
	}
	return line
}

// Shown is the date that a thing is shown with at an instant: of what is in the freezer the one that it would have if it
// were thawed then, of anything else the one that it has.
func Shown(e events.Expiry, frozen *events.Freezing, at time.Time, zone *time.Location) events.Expiry {
	if frozen == nil {
		return e
	}
	return recordedExpiry(expiry.DateThawed(answerOf(e), freezing(*frozen, zone), later(at, frozen.At)))
}

// expiryAt is a thing's date as something is made of it at an instant: what it lost out of its class since then it does
// not pass on.
func (d *Desk) expiryAt(code events.Code, at time.Time) events.Expiry {
	thing := d.Set.alike(code)
	e := thing.expiry
	if by := spellsBy(thing.spells, at); len(by) < len(thing.spells) || spellsEnd(by).Before(spellsEnd(thing.spells)) {
		e = recordedExpiry(d.warmed(code, answerOf(e), by))
	}
	return Shown(e, thing.Frozen, at, d.zone(thing.site))
}

// carries is the day that stands on what is taken of a line of stock.
func (d *Desk) carries(line *StockLine) *civil.Day {
	if d.Set.Defs.freezes(line.Place) {
		return d.expiryAt(line.Code, d.At).Date
	}
	return line.Dates.Date
}

func freezing(f events.Freezing, zone *time.Location) expiry.Freezing {
	return expiry.Freezing{At: f.At, Sealed: f.Sealed, Again: f.Again, Zone: zone}
}
