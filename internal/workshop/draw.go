package workshop

import (
	"fmt"
	"slices"
	"time"

	"firstout/internal/civil"
	"firstout/internal/events"
)

// DrawLine asks for a quantity of one source: a lot, a portion, a charge or a ganache by its code, or an
// untracked ingredient by its name.
type DrawLine struct {
	Source     events.Code
	Ingredient string
	Place      string // where the source stands; "" where it stands in one place only
	Quantity   events.Mass
	Purpose    string
	Basis      string
	How        string
	Heated     bool
}

// drawing is what a command draws, line by line, seen against what the lines before leave.
type drawing struct {
	d     *Desk
	left  map[StockKey]events.Mass
	draws []events.Draw
	short []shortage
}

func (d *Desk) drawing() *drawing { return &drawing{d: d, left: map[StockKey]events.Mass{}} }

func needsOfDraws(lines []DrawLine) []Need {
	var needs []Need
	for _, l := range lines {
		if l.Source != "" {
			needs = append(needs, NeedThing(l.Source))
			if l.Source.IsPart() {
				needs = append(needs, NeedThing(l.Source.Whole()))
			}
		}
	}
	return needs
}

// plan checks one line at an instant; what stands in the way is added to rs.
func (w *drawing) plan(l DrawLine, at time.Time, rs *refusals) {
	draw := events.Draw{
		Source: l.Source, Ingredient: l.Ingredient, Quantity: l.Quantity, Heated: l.Heated, Purpose: l.Purpose,
		Basis: l.Basis, How: l.How,
	}
	if l.Source == "" {
		w.untracked(l, rs)
		w.draws = append(w.draws, draw)
		return
	}
	key, since, found := w.locate(l, at, rs)
	if !found {
		return
	}
	draw.Place = key.Place
	w.d.ownPlace(key.Place, rs)
	w.d.existed(l.Source, since, at, rs)
	line := w.d.Set.Line(key)
	source := w.d.Set.alike(l.Source) // also where it never stood
	if source.care.Held() {
		rs.add(RefusedOnHold, Facts{"code": l.Source}, "%s is on hold: take another, or have the hold lifted.", l.Source)
	}
	if datesOf(source.expiry).PastAt(at) {
		rs.add(RefusedPastDate, Facts{"code": l.Source, "discard_by": source.expiry.DiscardBy},
			"%s is past its use-by: discard it and take another.", l.Source)
	}
	available := w.available(line, key, at)
	if available < l.Quantity {
		rs.add(RefusedNotEnough, Facts{"wanted": l.Quantity, "available": available, "unit": "g", "place": key.Place, "code": l.Source},
			"Only %s g of the %s g of %s asked for are there.", available.Grams(), l.Quantity.Grams(), l.Source)
		w.short = append(w.short, shortage{key: key, amount: int64(l.Quantity - available)})
	}
	w.left[key] = max(0, available-l.Quantity)
	w.draws = append(w.draws, draw)
}

func (w *drawing) available(line *StockLine, key StockKey, at time.Time) events.Mass {
	if left, taken := w.left[key]; taken {
		return left
	}
	if line == nil {
		return 0
	}
	return events.Mass(w.d.available(line, at))
}

func (w *drawing) untracked(l DrawLine, rs *refusals) {
	def := w.d.Set.Defs.Ingredients.Latest(l.Ingredient)
	switch {
	case def == nil:
		rs.unknown("ingredient", l.Ingredient)
	case !def.Body.Untracked:
		rs.add(RefusedWrongKind, Facts{"ingredient": l.Ingredient}, "%s comes in lots: name the lot that was used.", def.Body.Name)
	}
}

// locate finds the line of stock that a source is drawn from, and since when the source has been there.
func (w *drawing) locate(l DrawLine, at time.Time, rs *refusals) (key StockKey, since time.Time, found bool) {
	set := w.d.Set
	switch l.Source.Kind() {
	case events.KindCharge:
		charge := set.Charge(l.Source)
		if charge == nil || w.d.isHidden(l.Source) {
			rs.unknownCode(l.Source)
			return key, since, false
		}
		return StockKey{Code: l.Source, Place: charge.Vat}, charge.At, true
	case events.KindLot:
		lot := set.Lot(l.Source)
		if lot == nil || w.d.isHidden(l.Source) {
			rs.unknownCode(l.Source)
			return key, since, false
		}
		since = lot.since(lot.At)
	case events.KindGanache:
		ganache := set.Ganache(l.Source)
		if ganache == nil || w.d.isHidden(l.Source) {
			rs.unknownCode(l.Source)
			return key, since, false
		}
		since = ganache.since(ganache.At)
	default:
		rs.add(RefusedWrongKind, Facts{"code": l.Source}, "%s is a %s: name a lot, a portion, a charge or a filling.", l.Source, l.Source.Kind())
		return key, since, false
	}
	place, found := w.d.standsAt(l.Source, l.Place, at, rs)
	return StockKey{Code: l.Source, Place: place}, since, found
}

// standsAt is the one place where a thing stood at an instant, or the one that was named.
func (d *Desk) standsAt(code events.Code, named string, at time.Time, rs *refusals) (string, bool) {
	if named != "" {
		if d.Set.Defs.Places.Latest(named) == nil {
			rs.unknown("place", named)
			return "", false
		}
		return named, true
	}
	var places []string
	last := ""
	for _, line := range d.Set.LinesOf(code) {
		last = line.Place
		if d.available(line, at) > 0 && !slices.Contains(places, line.Place) {
			places = append(places, line.Place)
		}
	}
	switch len(places) {
	case 0:
		return last, true
	case 1:
		return places[0], true
	}
	rs.add(RefusedWrongKind, Facts{"code": code, "places": places}, "%s stands in %d places: say which with \"place\".", code, len(places))
	return "", false
}

// open records the openings that the draws bring with them: drawing from an unopened lot that has an open life
// opens what is drawn. The draws then come from the portions.
func (w *drawing) open(at time.Time) []events.Draw {
	draws := slices.Clone(w.draws)
	for i, draw := range draws {
		if draw.Source.Kind() != events.KindLot || w.d.Set.Lot(draw.Source).Opened || w.d.openLife(draw.Source) == nil {
			continue
		}
		draws[i].Source = w.d.openPortion(at, events.PortionOpened{
			Lot: draw.Source, Place: draw.Place, Quantity: draw.Quantity, ByItself: true,
		})
	}
	return draws
}

func (d *Desk) openLife(lot events.Code) *int {
	l := d.Set.Lot(lot)
	if def := d.Set.Defs.Ingredients.InForce(l.Ingredient, d.At); def != nil {
		return def.Body.OpenLifeDays
	}
	return nil
}

// openPortion records an opening, once its portion has a code and a date, and gives the portion's code.
func (d *Desk) openPortion(at time.Time, opened events.PortionOpened) events.Code {
	lot := d.Set.Lot(opened.Lot)
	opened.Portion = d.newPart(lot.Code.Whole(), d.Set.alike(lot.Code.Whole()).parts+1)
	opened.Expiry = d.datePortion(lot, opened.Portion, civil.DayOf(at, d.zone(lot.Site)))
	d.record(at, lot.Site, opened)
	return opened.Portion
}

// Open opens a part of a lot.
type Open struct {
	Done
	Lot      events.Code
	Place    string
	Quantity events.Mass
}

// Needs is the lot.
func (c Open) Needs() []Need { return []Need{NeedThing(c.Lot)} }

// Decide opens the portion.
func (c Open) Decide(d *Desk) (any, *Refusal) {
	var rs refusals
	var lot *Lot
	if c.Lot.Kind() == events.KindLot {
		if lot = d.Set.Lot(c.Lot); lot == nil || d.isHidden(c.Lot) {
			return nil, inURL(unknownThing(c.Lot))
		}
	}
	if lot == nil || lot.Opened {
		rs = append(rs, inURL(wrongKind(c.Lot, "a lot that is not opened yet")))
		d.knownPlace(c.Place, &rs)
		return nil, rs.first()
	}
	d.atThing(c.Lot, &rs)
	d.happened(c.Done, &rs)
	w := d.drawing()
	w.plan(DrawLine{Source: c.Lot, Place: c.Place, Quantity: c.Quantity}, d.At, &rs)
	broken, refusal := rs.settle(c.AlreadyDone)
	if refusal != nil {
		return nil, refusal
	}
	d.bookShortDraws(w, d.At)
	portion := d.openPortion(d.At, events.PortionOpened{
		Lot: c.Lot, Place: w.draws[0].Place, Quantity: c.Quantity, RuleBroken: broken,
	})
	d.openBroken(broken, []events.Code{portion}, []events.Code{portion})
	return d.Set.Lot(portion), nil
}

func (d *Desk) atSite(site string, rs *refusals) {
	d.site = site
	d.ownSite(rs)
}

func wrongKind(code events.Code, wanted string) *Refusal {
	return &Refusal{
		Slug: RefusedWrongKind, Facts: Facts{"code": code},
		Detail: fmt.Sprintf("%s is a %s: name %s.", code, kindWord(code), wanted),
	}
}

func kindWord(code events.Code) string {
	if code.Kind() == events.KindLot && code.IsPart() {
		return "portion"
	}
	return code.Kind().String()
}

func unknownThing(code events.Code) *Refusal {
	var rs refusals
	rs.unknownCode(code)
	return rs[0]
}

func inURL(r *Refusal) *Refusal {
	r.InURL = true
	return r
}
