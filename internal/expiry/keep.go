package expiry

import (
	"fmt"
	"slices"
	"time"

	"firstout/internal/civil"
)

// What the trade keeps to (common practice, no source), but for the hours, which are those of the US Food Code 3-501.19
// for food out of temperature control (from memory).
const (
	hoursOutOfControl = 4 * time.Hour // in a piping bag, or out of the chill
	freezerDays       = 180           // at -18 °C or below, sealed
	daysAfterThaw     = 21
	sourceBag         = "4 hours in the piping bag"
	sourceUnchilled   = "4 hours in all out of the chill"
	sourceFreezer     = "180 days in the freezer"
	sourceThawed      = "21 days after thawing"
	sourceShortens    = "a decision to shorten"
)

// A Freezing is a thing's time in a place that is kept at -18 °C or below.
type Freezing struct {
	At     time.Time // into the freezer
	Sealed bool
	Again  bool // it had been in the freezer before
	Zone   *time.Location
}

// stopsClock tells whether its time in the freezer does not count: once, and sealed.
func (f Freezing) stopsClock() bool { return f.Sealed && !f.Again }

func (f Freezing) mustThaw() civil.Day { return civil.DayOf(f.At, f.Zone).AddDays(freezerDays) }

// DateFrozen dates what is in the freezer, from the answer it had before it went in: until when it may stay there. The
// clocks that stand still are listed and bind nothing until it is thawed; the others go on: civil days, its ingredients'
// dates among them, and the hours of a piping bag. In the freezer it keeps for 180 days. What a thing thawed on some day
// would have is DateThawed of this answer.
func DateFrozen(before Answer, f Freezing) Answer {
	a := before
	a.Limits = slices.Clone(before.Limits)
	cautions := []string{CautionThawed}
	switch {
	case f.Again:
		cautions = append(cautions, CautionRefrozen)
	case !f.Sealed:
		cautions = append(cautions, CautionUnsealed)
	}
	for i, l := range a.Limits {
		if f.stopsClock() && l.standsStill() && f.At.Before(l.end(f.Zone)) {
			a.Limits[i].ReleasedBy = ReleasedByFreezer
		}
	}
	a.Limits = append(a.Limits, through(f.mustThaw(), Limit{Name: LimitFreezer, Source: sourceFreezer, Basis: basisPractice}))
	a.Cautions = together(before.Cautions, cautions)
	return settle(a, before.Binds != "", f.Zone, before.EndsBy)
}

// standsStill tells whether a limit is a clock that the freezer stops: days, and not hours.
func (l Limit) standsStill() bool {
	hours := l.Name == LimitPipingBag || l.Name == LimitFoodSafetyCap && (l.Basis == basisPractice || l.Date == nil)
	return l.ReleasedBy == "" && l.At != nil && !hours
}

// DateThawed dates what comes out of the freezer at an instant, from the answer that it had there (DateFrozen): of a
// thing still frozen, now gives the date that it would have if it were thawed now. Clocks that stood still end later by
// the civil days that lie between, so that as many days are left as before. It keeps 21 days after thawing at most, and
// gains nothing once it was 180 days in the freezer.
func DateThawed(frozen Answer, f Freezing, thawedAt time.Time) Answer {
	a := frozen
	a.Limits = nil
	thawedOn := civil.DayOf(thawedAt, f.Zone)
	for _, l := range frozen.Limits {
		switch {
		case l.ReleasedBy == ReleasedByFreezer:
			l.ReleasedBy = ""
			a.Limits = append(a.Limits, l.paused(f, thawedAt))
		case l.Source == sourceFreezer && l.Subject == "" && *l.Date == f.mustThaw() && !thawedOn.After(f.mustThaw()):
			// thawed in time
		default:
			a.Limits = append(a.Limits, l)
		}
	}
	a.Limits = append(a.Limits, through(thawedOn.AddDays(daysAfterThaw), Limit{
		Name: LimitFreezer, Source: sourceThawed, Basis: basisPractice,
	}))
	return settle(a, frozen.Binds != "", f.Zone, frozen.EndsBy)
}

// paused moves a limit whose clock stood still until it was thawed. One that had only hours left keeps its hours.
func (l Limit) paused(f Freezing, thawedAt time.Time) Limit {
	if l.Date == nil {
		at := thawedAt.Add(l.At.Sub(f.At)).Round(0).In(f.Zone)
		l.At = &at
		return l
	}
	days := civil.DayOf(thawedAt, f.Zone).Sub(civil.DayOf(f.At, f.Zone))
	return until(civil.AddCivil(*l.At, days, f.Zone), *l.Date, f.Zone, l)
}

// DateBagged dates filling that was taken into a piping bag, from its ganache's answer: four hours. Pieces that are
// filled within them keep the ganache's date.
func DateBagged(before Answer, baggedAt time.Time, zone *time.Location) Answer {
	a := before
	a.Limits = append(slices.Clone(before.Limits), until(baggedAt.Add(hoursOutOfControl), civil.DayOf(baggedAt, zone), zone, Limit{
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
