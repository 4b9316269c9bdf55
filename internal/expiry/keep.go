package expiry

import (
	"fmt"
	"slices"
	"time"

	"firstout/internal/civil"
)

// What the trade keeps to (common practice, no source), but for the piping bag's hours, which are also those of the
// US Food Code 3-501.19 for food out of temperature control (from memory).
const (
	pipingBagLife  = 4 * time.Hour
	freezerDays    = 180 // at -18 °C or below, sealed
	daysAfterThaw  = 21
	sourceBag      = "4 hours in the piping bag"
	sourceFreezer  = "180 days in the freezer"
	sourceThawed   = "21 days after thawing"
	sourceShortens = "a decision to shorten"
)

// A Freezing is a thing's time in a place that is kept at -18 °C or below.
type Freezing struct {
	FrozenAt time.Time
	ThawedAt time.Time // of a thing still frozen: now, for the date it would have if thawed now
	Sealed   bool
	Zone     *time.Location
}

// DateThawed dates what comes out of the freezer from the answer it had before it went in. The clock stood still while
// it was frozen, once and sealed: limits that are instants move by the civil days that lie between, so that as many
// days are left as before. Limits that are civil days, those of its ingredients among them, stand as they were. It
// keeps 21 days after thawing at most, and no longer than 180 days in the freezer. Whether it is the second time
// is for the caller to ask (before.WasFrozen): then, or when it was not sealed, the clock ran on.
func DateThawed(before Answer, f Freezing) Answer {
	a := before
	a.Limits = slices.Clone(before.Limits)
	frozenOn, thawedOn := civil.DayOf(f.FrozenAt, f.Zone), civil.DayOf(f.ThawedAt, f.Zone)
	cautions := []string{CautionThawed}
	switch {
	case before.WasFrozen():
		cautions = append(cautions, CautionRefrozen)
	case !f.Sealed:
		cautions = append(cautions, CautionUnsealed)
	default:
		for i, l := range a.Limits {
			a.Limits[i] = l.paused(f, thawedOn.Sub(frozenOn))
		}
	}
	a.Limits = append(a.Limits, through(thawedOn.AddDays(daysAfterThaw), Limit{
		Name: LimitFreezer, Source: sourceThawed, Basis: basisPractice,
	}))
	if mustThaw := frozenOn.AddDays(freezerDays); thawedOn.After(mustThaw) {
		a.Limits = append(a.Limits, through(mustThaw, Limit{Name: LimitFreezer, Source: sourceFreezer, Basis: basisPractice}))
	}
	a.Cautions = together(before.Cautions, cautions)
	return settle(a, before.Binds != "", f.Zone, before.EndsBy)
}

// paused moves a limit whose clock stood still for so many civil days. One that had only hours left keeps its hours.
func (l Limit) paused(f Freezing, days int) Limit {
	switch {
	case l.At == nil || l.Name == LimitPipingBag:
		return l
	case l.Date == nil:
		at := f.ThawedAt.Add(l.At.Sub(f.FrozenAt)).Round(0).In(f.Zone)
		l.At = &at
		return l
	default:
		return until(civil.AddCivil(*l.At, days, f.Zone), *l.Date, f.Zone, l)
	}
}

// DateBagged dates filling that was taken into a piping bag, from its ganache's answer: four hours. Pieces that are
// filled within them keep the ganache's date.
func DateBagged(before Answer, baggedAt time.Time, zone *time.Location) Answer {
	a := before
	a.Limits = append(slices.Clone(before.Limits), until(baggedAt.Add(pipingBagLife), civil.DayOf(baggedAt, zone), zone, Limit{
		Name: LimitPipingBag, Source: sourceBag, Basis: basisPractice,
	}))
	return settle(a, before.Binds != "", zone, before.EndsBy)
}

// Shorten adds a person's decision that a thing keeps through the day last at most. It never makes a date later, and
// gives none to what has none yet.
func Shorten(before Answer, last civil.Day, decision string, zone *time.Location) Answer {
	a := before
	a.Limits = append(slices.Clone(before.Limits), through(last, Limit{
		Name: LimitShop, Source: fmt.Sprintf("%s: %s", sourceShortens, decision), Basis: basisShop,
	}))
	return settle(a, before.Binds != "", zone, before.EndsBy)
}

// DateKept adds the life that an assessment gives a filling in another storage class than it was dated for, in civil
// days from its making: for pieces that are to stand warmer. It never makes a date later.
func DateKept(before Answer, filling string, madeAt time.Time, days int, document string, zone *time.Location) Answer {
	a := before
	a.Limits = append(slices.Clone(before.Limits), until(civil.AddCivil(madeAt, days, zone), civil.DayOf(madeAt, zone), zone, Limit{
		Name: LimitAssessment, Subject: filling, Source: document, Basis: basisAssessment,
	}))
	return settle(a, before.Binds != "", zone, before.EndsBy)
}
