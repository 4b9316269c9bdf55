package workshop

import (
	"cmp"
	"slices"

	"firstout/internal/events"
	"firstout/internal/expiry"
)

// This file says when histories part, and what date a part is born with.

// newPart is what stock becomes whose history goes another way from here.
type newPart struct {
	from, code events.Code
	parting    events.Parting
	expiry     events.Expiry
	outOfClass []*Deviation // of the place that it came from
}

const (
	storageChilled = "chilled"
	storageFrozen  = "frozen"
)

func frozen(p *events.Place) bool { return p.Storage == storageFrozen }

// freezes says whether a place is a freezer.
func (d *Definitions) freezes(place string) bool {
	def := d.Places.Latest(place)
	return def != nil && frozen(&def.Body)
}

func warm(p *events.Place) bool { return p.Storage != storageChilled && !frozen(p) }

// parting says what part a thing's stock becomes by the move, nil if its history goes on as it was.
func (m *moving) parting(line *StockLine) *newPart {
	thing := m.d.Set.alike(line.Code)
	p := &newPart{outOfClass: m.outOfClass(line)}
	p.parting.Freezing = thing.Frozen
	dated := answerOf(thing.expiry)
	m.out(p, line)
	dated = m.thaw(p, line, dated)
	if m.c.IntoBag {
		dated = expiry.DateBagged(dated, m.d.At, m.d.zone(thing.site))
		p.because(events.PartedBagged)
	}
	if warm(m.to) {
		if kept := m.d.keptWarm(line.Code, dated); !kept.EndsBy.Equal(dated.EndsBy) {
			dated = kept
			p.because(events.PartedWarmer)
		}
	}
	dated = m.freeze(p, line, dated)
	if p.parting.Cause == "" {
		return nil
	}
	if p.parting.Spells != nil {
		dated = m.d.warmed(line.Code, dated, p.parting.Spells)
	}
	p.expiry = recordedExpiry(dated)
	return p
}

// because names a reason to part, unless a weightier one is named already.
func (p *newPart) because(cause string) { p.parting.Cause = cmp.Or(p.parting.Cause, cause) }

// out notes that a thing comes from a place that was out of its class, and what times it had out of its class by now.
func (m *moving) out(p *newPart, line *StockLine) {
	if len(p.outOfClass) == 0 {
		return
	}
	if frozen(m.from) == frozen(m.to) {
		p.because(events.PartedOutOfClass)
	}
	if line.Code.Kind() != events.KindLot {
		p.parting.Spells = spellsBy(m.d.storingAt(m.c.From, m.d.At, m.d.At).spells(line.Code), m.d.At)
	}
}

// thaw restarts the clocks of what leaves the freezer. The times at which the freezer was too warm are taken from them.
func (m *moving) thaw(p *newPart, line *StockLine, dated expiry.Answer) expiry.Answer {
	if frozen(m.to) || !frozen(m.from) && p.parting.Freezing == nil {
		return dated
	}
	zone := m.d.zone(line.Site)
	if p.parting.Freezing == nil { // it came to be in the freezer, or was received there
		p.parting.Freezing = &events.Freezing{At: line.ArrivedAt, Sealed: m.d.unopened(line.Code)}
		dated = expiry.DateFrozen(dated, freezing(*p.parting.Freezing, zone))
	}
	p.because(events.PartedThawed)
	return expiry.DateThawed(dated, freezing(*p.parting.Freezing, zone), m.d.At)
}

// freeze stops the clocks of what goes into the freezer, once.
func (m *moving) freeze(p *newPart, line *StockLine, dated expiry.Answer) expiry.Answer {
	if !frozen(m.to) || frozen(m.from) || p.parting.Freezing != nil {
		return dated
	}
	p.parting.Cause, p.parting.Freezing = events.PartedFrozen, &events.Freezing{
		At: m.d.At, Sealed: m.c.Sealed, Again: m.d.frozenBefore(line.Code),
	}
	return expiry.DateFrozen(dated, freezing(*p.parting.Freezing, m.d.zone(line.Site)))
}

// frozenBefore says whether a thing, or a filling in it, was in the freezer. What its ingredients were before they were
// used does not count.
func (d *Desk) frozenBefore(code events.Code) bool {
	return slices.ContainsFunc(d.Set.expiryOf(code).Limits, func(l events.Limit) bool {
		ingredients := l.Subject != "" && events.Code(l.Subject).Kind() == events.KindLot
		return l.Name == expiry.LimitFreezer && (!ingredients || code.Kind() == events.KindLot)
	})
}

// unopened says whether a thing is still in its supplier's packing.
func (d *Desk) unopened(code events.Code) bool {
	return code.Kind() == events.KindLot && !d.Set.Lot(code).Opened && len(d.Set.Lot(code).Mix) == 0
}

// outOfClass lists the undecided safety deviations of the place that a thing's stock leaves: pieces and fillings, and what
// must be kept chilled or frozen, have stood out of their class there.
func (m *moving) outOfClass(line *StockLine) []*Deviation {
	if line.Code.Kind() == events.KindLot && !m.d.perishable(line.Code) {
		return nil
	}
	return slices.DeleteFunc(m.d.Set.DeviationsAt(m.c.From), func(o *Deviation) bool {
		return o.Concern != concernSafety || o.Rule != checkTemperature || o.OpenedAt.After(m.d.At)
	})
}

func (d *Desk) perishable(lot events.Code) bool {
	l := d.Set.Lot(lot)
	def := d.Set.Defs.Ingredients.Numbered(l.Ingredient, l.IngredientVersion)
	return def != nil && (def.Body.Storage == storageChilled || def.Body.Storage == storageFrozen)
}

// filling is a filling in a thing with an assessment that dates it.
type filling struct {
	expiry.Kept
	chilled bool // it is dated for the chill
}

// fillings lists the fillings of a thing that an assessment dates: those in a run or in the pieces of a box, or
// the ganache itself.
func (d *Desk) fillings(code events.Code) []filling {
	var found []filling
	switch code.Kind() {
	case events.KindRun, events.KindBox:
		for _, ganache := range d.ganachesIn(code) {
			if f, assessed := d.assessedFilling(ganache); assessed {
				f.Code = string(ganache)
				found = append(found, f)
			}
		}
	case events.KindGanache:
		if f, assessed := d.assessedFilling(code); assessed {
			found = append(found, f)
		}
	default: // a lot keeps by its own mark
	}
	return found
}

func (d *Desk) assessedFilling(ganache events.Code) (f filling, assessed bool) {
	g := d.Set.Ganache(ganache)
	formula := d.Set.Defs.Formulas.Numbered(g.Formula, g.FormulaVersion)
	if formula == nil || formula.Body.Assessment == nil {
		return f, false
	}
	days := formula.Body.Assessment.Days
	f.Planned, f.Cool = days["cool"], days["cool"]
	if f.chilled = formula.Body.Storage == storageChilled; f.chilled {
		f.Planned = days[storageChilled]
	}
	return f, true
}

// keptWarm dates a thing for a place warmer than its fillings are dated for. A filling that was never assessed for the
// cool has the four hours of a piping bag there, which end when it is in the mould.
func (d *Desk) keptWarm(code events.Code, dated expiry.Answer) expiry.Answer {
	zone := d.zone(d.Set.siteOf(code))
	for _, f := range d.fillings(code) {
		switch {
		case !f.chilled:
		case f.Code == "" && f.Cool == 0:
			dated = expiry.DateBagged(dated, d.At, zone)
		default:
			dated = expiry.DateKept(dated, f.Kept, d.At, zone)
		}
	}
	return d.warmed(code, d.cappedIn(code, dated, storageCool), d.Set.alike(code).spells)
}

// dateAt dates a run for a place: a filling dated for the chill keeps where it is cool no longer than its assessment
// says of cool storage.
func (d *Desk) dateAt(run *Run, place *events.Place) events.Expiry {
	if !warm(place) {
		return run.Expiry
	}
	return recordedExpiry(d.keptWarm(run.Code, answerOf(run.Expiry)))
}
