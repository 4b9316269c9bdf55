package workshop

import (
	"cmp"
	"slices"
	"strings"

	"firstout/internal/events"
	"firstout/internal/expiry"
)

// causeLateEntry is why a date changed, or a hold was placed, when something was written down late.
const causeLateEntry = "late_entry"

// followRemix records what follows for everything that turns out to be made of something else: an earlier date, and a
// hold on released pieces that now carry an allergen which is not on their label, or of which nobody knows.
func (d *Desk) followRemix() {
	codes := slices.Clone(d.Set.Remixed)
	slices.SortFunc(codes, func(a, b events.Code) int { // what is filled takes its date from its filling
		return cmp.Or(cmp.Compare(datingOrder(a), datingOrder(b)), a.Compare(b))
	})
	for _, code := range codes {
		d.redateEarlier(code, causeLateEntry)
	}
	for _, code := range codes {
		if code.Kind() == events.KindRun && !code.IsPart() {
			d.holdOffLabel(code, causeLateEntry)
		}
	}
}

func datingOrder(code events.Code) int {
	switch {
	case code.Kind() == events.KindLot:
		return 0
	case code.Kind() == events.KindGanache && !code.IsPart():
		return 1
	case code.Kind() == events.KindBox && !code.IsPart():
		return 4 // and follows its pieces
	case code.Kind() == events.KindBox:
		return 5
	case !code.IsPart():
		return 2
	}
	return 3 // a part follows its whole
}

// redateEarlier gives a thing the earlier date that it turns out to have, or its first. A later one is for an owner to
// decide.
func (d *Desk) redateEarlier(code events.Code, cause string) {
	old := d.Set.expiryOf(code)
	now, dated := d.dateAnew(code)
	first := old.Binds == "" && now.Binds != ""
	if !dated || now.EndsBy.IsZero() || !first && !now.EndsBy.Before(old.EndsBy) {
		return
	}
	d.record(d.At, d.Set.siteOf(code), events.Redated{Code: code, Old: old.Date, Cause: cause, Expiry: now})
}

// causeMeasured is why a date changed when a laboratory's value came in.
const causeMeasured = "measured"

// redateMeasured gives a batch that was measured, and what was made of it, the dates that follow. A part loses as many
// days as its whole does: its clock is its own.
func (d *Desk) redateMeasured(batch events.Code) {
	d.redateFrom(append(d.withParts(batch), d.Set.DownstreamOf(batch)...), causeMeasured, "a value was measured")
}

// redateFrom gives fillings, and what was made of them, the earlier dates that follow from something, and their parts with
// them.
func (d *Desk) redateFrom(codes []events.Code, cause, reason string) {
	codes = slices.DeleteFunc(codeSet(codes), func(code events.Code) bool {
		return code.Kind() != events.KindGanache && code.Kind() != events.KindRun
	})
	slices.SortStableFunc(codes, func(a, b events.Code) int { return cmp.Compare(datingOrder(a), datingOrder(b)) })
	before := map[events.Code]events.Expiry{} // of wholes
	for _, code := range codes {
		old := d.Set.expiryOf(code)
		if !code.IsPart() {
			before[code] = old
			d.redateEarlier(code, cause)
			continue
		}
		if had, whole := before[code.Whole()]; whole {
			d.redatePart(code, had, cause, reason)
		}
	}
}

// redatePart takes from a part as many days as its whole lost. A whole that has no date any more leaves none to its parts.
func (d *Desk) redatePart(part events.Code, had events.Expiry, cause, reason string) {
	old, whole := d.Set.expiryOf(part), d.Set.expiryOf(part.Whole())
	now := old
	switch {
	case had.Date == nil || old.Date == nil:
	case whole.Date == nil:
		now = whole
	case whole.Date.Before(*had.Date):
		now = d.shortened(old, old.Date.AddDays(whole.Date.Sub(*had.Date)), reason)
	}
	if now.EndsBy.Before(old.EndsBy) {
		d.record(d.At, d.Set.siteOf(part), events.Redated{Code: part, Old: old.Date, Cause: cause, Expiry: now})
	}
}

// dateAnew dates a thing by what it is known now to be made of.
func (d *Desk) dateAnew(code events.Code) (now events.Expiry, dated bool) {
	if code.IsPart() {
		whole, dated := d.dateAnew(code.Whole())
		part := answerOf(d.Set.expiryOf(code)) // its clocks are its own; what its whole is made of limits it too
		return recordedExpiry(expiry.Inherit(part, answerOf(whole), d.zone(d.Set.siteOf(code)))), dated
	}
	switch code.Kind() {
	case events.KindLot:
		lot := d.Set.Lot(code)
		if len(lot.Mix) == 0 { // a delivery has the date of its mark
			return lot.Expiry, true
		}
		return d.dateBlock(lot), true
	case events.KindGanache:
		ganache := d.Set.Ganache(code)
		formula := d.Set.Defs.Formulas.Numbered(ganache.Formula, ganache.FormulaVersion)
		if formula == nil {
			return now, false
		}
		return d.outOfClass(code, d.dateGanache(formula.Body, ganache)), true
	case events.KindRun:
		return d.outOfClass(code, d.dateRun(d.Set.Run(code))), true
	case events.KindBox:
		box := d.Set.Box(code)
		return d.outOfClass(code, d.dateBox(box.At, box.Site, box.Contents)), true
	default:
		return now, false
	}
}

// outOfClass is a date that was worked out anew, less what the thing lost out of its class.
func (d *Desk) outOfClass(code events.Code, e events.Expiry) events.Expiry {
	if spells := d.Set.alike(code).spells; len(spells) > 0 {
		return recordedExpiry(d.warmed(code, answerOf(e), spells))
	}
	return e
}

// holdOffLabel holds released pieces that turn out to carry what their label does not say.
func (d *Desk) holdOffLabel(code events.Code, cause string) {
	run, before := d.Set.Run(code), d.Set.parent.Run(code)
	if before == nil || run.Released == 0 {
		return
	}
	known := d.notOnLabel(before, before.Allergens)
	off := slices.DeleteFunc(d.notOnLabel(run, run.Allergens), func(allergen string) bool { return slices.Contains(known, allergen) })
	rule, detail := RefusedNotOnLabel, strings.Join(off, ", ")+" turned out to be in the pieces and is not on their label."
	if len(off) == 0 {
		if len(run.Allergens.Unknown) <= len(before.Allergens.Unknown) {
			return
		}
		rule, detail = RefusedAllergensUnknown, "Something turned out to be in the pieces of which nobody knows the allergens."
	}
	deviation := d.record(d.At, run.Site, events.DeviationOpened{Code: code, Concern: concernSafety, Rule: string(rule), Detail: detail})
	d.hold(code, d.withBoxes(d.withParts(code)), cause, detail, &deviation.ID)
}
