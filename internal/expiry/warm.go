package expiry

import (
	"fmt"
	"math"
	"slices"
	"time"

	"firstout/internal/civil"
)

// A Kept is a filling in a thing, by the days that its assessment gives it from the making: in the class that it is
// dated for, and in the cool. Code is empty where the filling is the thing itself.
type Kept struct {
	Code    string
	Planned int
	Cool    int // 0: it was not assessed for the cool
}

// DateKept adds the life that an assessment gives a filling in the cool, for what was dated for the chill and comes to
// stand warmer. One that was never assessed for the cool has four hours in all, from the instant at which it comes to
// stand there; chilling it again gives none of them back. It never makes a date later.
func DateKept(before Answer, filling Kept, at time.Time, zone *time.Location) Answer {
	if filling.Cool == 0 {
		return unchilled(before, filling.Code, at, zone)
	}
	planned, found := before.assessed(filling.Code)
	if !found {
		return before
	}
	a := before
	made := civil.AddCivil(*planned.At, -filling.Planned, zone)
	a.Limits = append(slices.Clone(before.Limits), until(civil.AddCivil(made, filling.Cool, zone), civil.DayOf(made, zone), zone, Limit{
		Name: LimitAssessment, Subject: filling.Code, Source: planned.Source, Basis: basisAssessment,
	}))
	return settle(a, before.Binds != "", zone, before.EndsBy)
}

// assessed finds the limit that a filling's assessment gives it in the class it was dated for: the latest of them, for
// that of the cool ends earlier.
func (a Answer) assessed(filling string) (latest Limit, found bool) {
	for _, l := range a.Limits {
		if l.Name == LimitAssessment && l.Subject == filling && l.At != nil && (!found || l.At.After(*latest.At)) {
			latest, found = l, true
		}
	}
	return latest, found
}

func unchilled(before Answer, filling string, at time.Time, zone *time.Location) Answer {
	a := before
	a.Limits = append(slices.Clone(before.Limits), until(at.Add(hoursOutOfControl), civil.DayOf(at, zone), zone, Limit{
		Name: LimitFoodSafetyCap, Subject: filling, Source: sourceUnchilled, Basis: basisPractice,
	}))
	return settle(a, before.Binds != "", zone, before.EndsBy)
}

// A Spell is a time at a temperature in °C.
type Spell struct {
	From, To     time.Time
	TemperatureC float64
}

// The bounds of the storage classes in °C, and how the cool life goes above them: three times as fast for each 10 °C
// (common practice; published growth data give two to four times, from memory).
const (
	chilledMaxC = 5.0
	coolMaxC    = 18.0
	warmerC     = 10.0
	fasterBy    = 3.0
)

// CoolRate is how fast the cool life goes at a temperature in °C: 1 up to 18 °C, with no credit for less.
func CoolRate(temperatureC float64) float64 {
	return math.Pow(fasterBy, max(0, temperatureC-coolMaxC)/warmerC)
}

// DateWarmed takes from a filling's assessed life what spells out of its class took: each its share, which is its
// length by the rate over the life in the cool. One that was never assessed for the cool has four hours in all, from the
// first spell above 5 °C. It never makes a date later.
func DateWarmed(before Answer, fillings []Kept, spells []Spell, zone *time.Location) Answer {
	a := before
	for _, filling := range fillings {
		for _, s := range spells {
			length := s.To.Sub(s.From)
			switch {
			case s.TemperatureC <= chilledMaxC || length <= 0:
			case filling.Cool == 0:
				a = unchilled(a, filling.Code, s.From, zone)
			default:
				share := CoolRate(s.TemperatureC) * float64(filling.Planned) / float64(filling.Cool)
				a = a.lessLife(filling.Code, time.Duration(float64(length)*max(0, share-1)), s, zone)
			}
		}
	}
	return a
}

// lessLife moves the ends of a filling's assessed life to earlier, by what a spell took of it over its own length.
func (a Answer) lessLife(filling string, lost time.Duration, s Spell, zone *time.Location) Answer {
	if lost = lost.Round(time.Minute); lost == 0 {
		return a
	}
	less := a
	less.Limits = slices.Clone(a.Limits)
	for i, l := range less.Limits {
		if l.Name == LimitAssessment && l.Subject == filling && l.At != nil {
			l.Source = fmt.Sprintf("%s, less %.1f h for a time at %g °C", l.Source, lost.Hours(), s.TemperatureC)
			less.Limits[i] = until(l.At.Add(-lost), civil.DayOf(s.To, zone), zone, l)
		}
	}
	return settle(less, a.Binds != "", zone, a.EndsBy)
}
