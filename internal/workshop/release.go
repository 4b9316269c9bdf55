package workshop

import (
	"cmp"
	"slices"
	"strings"

	"firstout/internal/events"
	"firstout/internal/expiry"
)

// Release lets pieces of a run out for sale: the gate.
type Release struct {
	Done
	Run    events.Code
	Pieces int
	Grade  string // first by default
	Place  string
}

// Released is the answer.
type Released struct {
	Run    *Run
	Pieces int
	Expiry events.Expiry
	Broken []string // rules, where it was done already
}

// Needs is the run.
func (c Release) Needs() []Need { return []Need{NeedThing(c.Run)} }

// Decide passes the pieces through the gate, or says what stands in the way.
func (c Release) Decide(d *Desk) (any, *Refusal) {
	var rs refusals
	d.happened(c.Done, &rs)
	answer, refusal := c.pass(d, rs)
	if refusal != nil {
		return nil, refusal
	}
	return answer, nil
}

// pass is the gate itself, at the desk's time; rs is what stands in the way already.
func (c Release) pass(d *Desk, rs refusals) (Released, *Refusal) {
	if c.Run.Kind() != events.KindRun {
		rs = append(rs, inURL(wrongKind(c.Run, "a run")))
		d.knownPlace(c.Place, &rs)
		return Released{}, rs.first()
	}
	run := d.Set.Run(c.Run)
	if run == nil || d.isHidden(c.Run) {
		return Released{}, inURL(unknownThing(c.Run))
	}
	place := d.place(c.Place, &rs)
	d.existed(c.Run, d.Set.since(c.Run), d.At, &rs)
	grade := cmp.Or(c.Grade, GradeFirst)
	d.ownThing(c.Run, &rs)
	waiting := d.unreleased(c.Run, grade, c.Place)
	if has := c.standing(d, waiting); run.State != StateTurnedOut || has < c.Pieces {
		rs.add(RefusedWrongState, Facts{"run": c.Run, "state": run.State, "wanted": c.Pieces, "available": has},
			"%s has %d pieces of that grade that wait for release, not %d; out of the freezer, or into it, they are moved first.", c.Run, has, c.Pieces)
	}
	if place != nil {
		d.gate(run, place, &rs)
	}
	broken, refusal := rs.settle(c.AlreadyDone)
	if refusal != nil {
		return Released{}, refusal
	}
	run = d.keptWarmer(run, place)
	left := c.Pieces
	for _, line := range waiting {
		if take := min(left, c.waits(d, line)); take > 0 {
			d.record(d.At, d.site, events.PiecesReleased{
				Run: c.Run, Grade: grade, Pieces: take, From: line.Place, Place: c.Place, Expiry: run.Expiry, RuleBroken: broken,
			})
			left -= take
		}
	}
	d.openBroken(broken, []events.Code{c.Run}, []events.Code{c.Run})
	return Released{Run: d.Set.Run(c.Run), Pieces: c.Pieces, Expiry: d.expiryAt(c.Run, d.At), Broken: broken}, nil
}

// unreleased lists the lines of pieces that waited for release at the desk's time, those at the place itself first. Into
// the freezer and out of it leads only a move: histories part there. A key that is bound to a site sees those there only.
func (d *Desk) unreleased(run events.Code, grade, place string) []*StockLine {
	var lines []*StockLine
	for _, line := range d.Set.LinesOf(run) {
		waits := line.Unreleased && line.Grade == grade && d.available(line, d.At) > 0 && d.isOwn(line.Place)
		if waits && d.Set.Defs.freezes(line.Place) == d.Set.Defs.freezes(place) {
			lines = append(lines, line)
		}
	}
	slices.SortStableFunc(lines, func(a, b *StockLine) int { return -compareBool(a.Place == place, b.Place == place) })
	return lines
}

func (c Release) standing(d *Desk, lines []*StockLine) int {
	total := 0
	for _, line := range lines {
		total += c.waits(d, line)
	}
	return total
}

// waits is how many pieces of a line can pass. Those that pass where they stand only become another line of what a count
// counts: a count since then does not say that they were there.
func (c Release) waits(d *Desk, line *StockLine) int {
	waits := d.available(line, d.At)
	if line.Place == c.Place {
		waits = min(waits, line.Amount)
	}
	return int(waits)
}

// gate adds what keeps a run from being released at a place.
func (d *Desk) gate(run *Run, place *events.Place, rs *refusals) {
	if run.Held() {
		rs.add(RefusedOnHold, Facts{"code": run.Code, "holds": run.Holds}, "%s is on hold: the owner lifts a hold.", run.Code)
	}
	if datesOf(run.Expiry).PastAt(d.At) {
		rs.add(RefusedPastDate, Facts{"code": run.Code, "discard_by": run.Expiry.DiscardBy}, "%s is past its use-by: discard it.", run.Code)
	}
	if open := d.undecided(run); len(open) > 0 {
		rs.add(RefusedUndecided, Facts{"deviations": open}, "%s has a safety deviation that nobody has decided: the owner decides it first.", run.Code)
	}
	allergens := d.Set.allergensOf(run.Mix, run.Site)
	if len(allergens.Unknown) > 0 {
		rs.add(RefusedAllergensUnknown, Facts{"lots": allergens.Unknown},
			"The allergens of %s are not known: find the label or ask the supplier, then put them on the ingredient.", allergens.Unknown[0])
	}
	if off := d.notOnLabel(run, allergens); len(off) > 0 {
		rs.add(RefusedNotOnLabel, Facts{"allergens": off},
			"The pieces contain %s, which is not on their label: mend the label first, with a new version of the ingredient.", strings.Join(off, ", "))
	}
	if class, none := d.noWholeDay(run, place); none {
		detail := "There is no date for these pieces yet: the recipe needs an assessment before they can be released."
		if class != nil {
			detail = "There is no whole day of life at " + place.Name + ": keep them " + *class + "."
		}
		rs.add(RefusedNoWholeDay, Facts{"class": class}, "%s", detail)
	}
}

func (d *Desk) undecided(run *Run) []string {
	var open []string
	note := func(c Care) {
		for _, o := range c.Deviations {
			if o.Concern == concernSafety {
				open = append(open, o.ID.String())
			}
		}
	}
	for _, made := range append([]events.Code{run.Code}, run.Ganaches...) {
		for _, code := range slices.Backward(d.Set.lineage(made)) {
			note(d.Set.careOf(code))
		}
	}
	return open
}

// notOnLabel lists what the pieces contain and their design's label does not say. The chocolate of shell and cap
// is no line of the design: what the definition in force says of couverture of that kind of chocolate is on the label, and
// not what was melted with it by mistake.
func (d *Desk) notOnLabel(run *Run, a Allergens) []string {
	design := d.Set.Defs.Designs.Latest(run.Design)
	if design == nil {
		return nil
	}
	label := d.Set.Defs.labelAllergens(design.Body)
	for _, p := range run.Mix {
		if p.Lot == "" {
			continue
		}
		def := d.Set.Defs.Ingredients.Latest(d.Set.Lot(p.Lot).Ingredient)
		if def != nil && def.Body.Allergens != nil && design.Body.Takes(def.Body.Chocolate) {
			label = append(label, *def.Body.Allergens...)
		}
	}
	return slices.DeleteFunc(slices.Clone(a.Contains), func(code string) bool { return slices.Contains(label, code) })
}

// keptWarmer gives a run its earlier date, where it is released to a place that is warmer than it was dated for.
func (d *Desk) keptWarmer(run *Run, place *events.Place) *Run {
	kept := d.dateAt(run, place)
	if run.Expiry.Date == nil || kept.Date == nil || !kept.Date.Before(*run.Expiry.Date) {
		return run
	}
	d.record(d.At, d.site, events.Redated{Code: run.Code, Old: run.Expiry.Date, Cause: "released_warmer", Expiry: kept})
	return d.Set.Run(run.Code)
}

// noWholeDay says whether a run has no date to be sold under at a place, and the storage class that has one.
// Pieces that are to be filled have none until their filling is written down: their shell alone must not date them.
func (d *Desk) noWholeDay(run *Run, place *events.Place) (class *string, none bool) {
	design := d.Set.Defs.Designs.Numbered(run.Design, run.DesignVersion)
	if design != nil && len(design.Body.Fillings) > 0 && run.Filled == 0 {
		return nil, true
	}
	for _, code := range run.Ganaches {
		ganache := d.Set.Ganache(code)
		formula := d.Set.Defs.Formulas.Numbered(ganache.Formula, ganache.FormulaVersion)
		if formula == nil || formula.Body.Assessment == nil {
			continue
		}
		days := formula.Body.Assessment.Days
		for _, c := range []string{"cool", "chilled"} {
			if days[c] > 0 {
				class = &c
			}
		}
		if formula.Body.Storage == "chilled" && place.Storage != "chilled" && place.Storage != "frozen" && days["cool"] == 0 {
			return class, true
		}
	}
	if class == nil {
		class = d.classWithDay(run)
	}
	if kept := d.dateAt(run, place); run.Expiry.Date != nil && (kept.Date == nil || kept.Date.Before(d.today()) && kept.Date.Before(*run.Expiry.Date)) {
		return class, true
	}
	if run.Expiry.Date == nil {
		if run.Expiry.Status != expiry.StatusAssessed {
			class = d.classWithDay(run)
		}
		return class, true
	}
	return nil, false
}
