package workshop

import (
	"slices"

	"firstout/internal/events"
	"firstout/internal/expiry"
)

// This file dates fillings that no assessment dates for a place of another class than their recipe is kept in.

const storageCool = "cool"

// capped lists the fillings of a thing that are dated by the tables: those in a run or in the pieces of a box, or the
// ganache itself.
func (d *Desk) capped(code events.Code) []events.Code {
	return slices.DeleteFunc(slices.Clone(d.ganachesIn(code)), func(ganache events.Code) bool {
		return !slices.ContainsFunc(d.Set.Ganache(ganache).Expiry.Limits, func(l events.Limit) bool {
			return expiry.Limit(l).IsCap() && l.ReleasedBy == ""
		})
	})
}

// ganacheIn is how long a filling keeps in a storage class from its making: as it was packed, or open in pieces.
func (d *Desk) ganacheIn(code events.Code, class string, packed bool) (kept expiry.Answer, known bool) {
	ganache := d.Set.Ganache(code)
	formula := d.Set.Defs.Formulas.Numbered(ganache.Formula, ganache.FormulaVersion)
	if formula == nil {
		return kept, false
	}
	filling := d.filling(formula.Body, ganache, class)
	filling.PackedHot = filling.PackedHot && packed
	return expiry.DateFilling(filling), true
}

// cappedIn dates a thing for a class: the fillings in it that the tables date keep there as the tables say.
func (d *Desk) cappedIn(code events.Code, dated expiry.Answer, class string) expiry.Answer {
	for _, ganache := range d.capped(code) {
		kept, known := d.ganacheIn(ganache, class, ganache == code)
		if !known {
			continue
		}
		subject := string(ganache)
		if ganache == code {
			subject = ""
		}
		dated = expiry.KeepIn(dated, expiry.PieceFilling{Code: subject, Answer: kept}, d.zone(d.Set.siteOf(code)))
	}
	return dated
}

// classWithDay is the storage class in which every filling of a run that the tables date keeps for a whole day; nil if
// there is none, or if they date none of them.
func (d *Desk) classWithDay(run *Run) *string {
	fillings := d.capped(run.Code)
	if len(fillings) == 0 {
		return nil
	}
	for _, class := range []string{storageChilled, storageCool} {
		if !slices.ContainsFunc(fillings, func(ganache events.Code) bool {
			kept, known := d.ganacheIn(ganache, class, false)
			return !known || kept.Date == nil
		}) {
			return &class
		}
	}
	return nil
}
