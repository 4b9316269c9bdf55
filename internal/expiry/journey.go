package expiry

import (
	"cmp"
	"slices"
	"time"

	"firstout/internal/civil"
)

// The bounds in °C of what else a temperature says.
const (
	frozenMaxC = -18.0
	failureC   = 25.0 // what unread time of a declared failure counts at; above it a look is due (bloom, leaking)
)

// LongestGap is the time between two readings of a monitored place from which what stands there is held.
const LongestGap = 24 * time.Hour

// LookAboveC is the temperature in °C above which a look is due at what stands there.
const LookAboveC = failureC

// A Stay is a time that a thing stood somewhere, at one temperature.
type Stay struct {
	From, To     time.Time
	Storage      string   // the place's class: cool, chilled, frozen or dry
	TemperatureC *float64 // nil: nobody measured, it counts at the upper limit of the place's class
	Sealed       bool     // as it has to be for the freezer to stop the clock
	Unread       bool     // the time between two readings of a monitored place, or before the first or since the last
}

// counts is the temperature that the stay counts at, in °C.
func (s Stay) counts() float64 {
	if s.TemperatureC != nil {
		return *s.TemperatureC
	}
	return classMaxC(s.Storage)
}

// classMaxC is the upper limit of a storage class in °C.
func classMaxC(storage string) float64 {
	switch class(storage) {
	case "frozen":
		return frozenMaxC
	case "chilled":
		return chilledMaxC
	default:
		return coolMaxC
	}
}

// A Journey is what a path calls for besides dating by it.
type Journey struct {
	NotMeasured bool          // some of it was in places where nobody measured
	LongestGap  time.Duration // between two readings of a monitored place
	Hold        bool          // a gap was too long to say anything: hold what stood there
	Above25C    time.Duration // a deviation of quality, decided after a look
}

// Look tells what a thing's path calls for.
func Look(path []Stay) Journey {
	var j Journey
	for _, s := range path {
		length := s.To.Sub(s.From)
		if length <= 0 {
			continue
		}
		j.NotMeasured = j.NotMeasured || s.TemperatureC == nil
		if s.Unread {
			j.LongestGap = max(j.LongestGap, length)
		}
		if s.counts() > failureC {
			j.Above25C += length
		}
	}
	j.Hold = j.LongestGap > LongestGap
	return j
}

// A Life is how long a thing keeps from its making where it is cool and where it is chilled.
type Life struct {
	Cool, Chilled time.Duration
	ByHours       bool // the life in the cool is one of hours, whatever the warmth (US Food Code 3-501.19, from memory)
}

// of gives the life in the class that a thing is kept in. What is not in the freezer yet counts as chilled.
func (l Life) of(storage string) time.Duration {
	if class(storage) == "cool" {
		return l.Cool
	}
	return l.Chilled
}

// share gives the share of the life that a stay takes: its length times the rate over the life in its class. There is no
// credit for colder than the class. From −18 to 5 °C counts as chilled.
func (l Life) share(length time.Duration, temperatureC float64) float64 {
	switch {
	case temperatureC <= chilledMaxC:
		return float64(length) / float64(max(1, l.Chilled))
	case l.ByHours:
		return float64(length) / float64(max(1, l.Cool))
	default:
		return float64(length) * CoolRate(temperatureC) / float64(max(1, l.Cool))
	}
}

// Spent gives the share of a life that its path took, and the instant at which the life ends if the thing is kept in the
// class planned from the end of the path on: at that instant all of it is spent. A freezer stops the clock once, sealed,
// for 180 days. Times between stays count at the warmer of both, and the time before the first at the warmer of it and the
// class planned. Stays must not overlap.
func (l Life) Spent(made time.Time, path []Stay, planned string) (used float64, ends time.Time) {
	now := made
	for _, s := range continuous(made, path, planned) {
		length := s.To.Sub(s.From) - s.paused
		share := l.share(length, s.counts())
		if used < 1 && used+share >= 1 {
			ends = s.To.Add(-time.Duration(float64(length) * (used + share - 1) / share))
		}
		used += share
		now = s.To
	}
	if used < 1 {
		ends = now.Add(time.Duration((1 - used) * float64(l.of(planned))))
	}
	return used, ends
}

// A leg is a stay with the part of it in which the clock stood still.
type leg struct {
	Stay
	paused time.Duration
}

// continuous puts stays in order from the making on, fills what lies between them, and finds the first freezing.
func continuous(made time.Time, path []Stay, planned string) []leg {
	ordered := slices.Clone(path)
	slices.SortFunc(ordered, func(a, b Stay) int {
		return cmp.Or(a.From.Compare(b.From), a.To.Compare(b.To), cmp.Compare(a.counts(), b.counts()))
	})
	legs := make([]leg, 0, len(ordered))
	now, last := made, Stay{Storage: planned, Sealed: true}
	for _, s := range ordered {
		if !s.To.After(now) {
			continue
		}
		if s.From.After(now) {
			legs = append(legs, leg{Stay: between(last, s, now)})
			now = s.From
		}
		s.From = now
		legs = append(legs, leg{Stay: s})
		now, last = s.To, s
	}
	return withFreezing(legs)
}

// between is the time from now to the next stay, of which nothing is known: it counts as the warmer of both.
func between(last, next Stay, now time.Time) Stay {
	unknown := last
	if next.counts() > last.counts() {
		unknown = next
	}
	unknown.From, unknown.To, unknown.Sealed = now, next.From, last.Sealed && next.Sealed
	return unknown
}

// withFreezing marks where the freezer stops the clock: in the first unbroken time in it, sealed, for 180 days.
func withFreezing(legs []leg) []leg {
	first, past := freezing(legs)
	left := freezerDays * 24 * time.Hour
	for i := first; i < past; i++ {
		legs[i].paused = min(left, legs[i].To.Sub(legs[i].From))
		left -= legs[i].paused
	}
	return legs
}

// freezing finds the first unbroken time of a thing in the freezer: from a leg, up to another. What is not sealed when it
// is first frozen has had its one freezing.
func freezing(legs []leg) (first, past int) {
	frozen := func(l leg) bool { return l.counts() <= frozenMaxC }
	first = slices.IndexFunc(legs, frozen)
	if first < 0 {
		return 0, 0
	}
	past = first
	for past < len(legs) && frozen(legs[past]) && legs[past].Sealed {
		past++
	}
	return first, past
}

// freezerLimits gives what freezing along a path leads to: 180 days in the freezer, and 21 after thawing. A path that ends
// in the freezer goes on in the class planned.
func freezerLimits(made time.Time, path []Stay, planned string, zone *time.Location) []Limit {
	legs := continuous(made, path, planned)
	if len(legs) > 0 {
		legs = append(legs, leg{Stay: Stay{From: legs[len(legs)-1].To, Storage: planned}})
	}
	var limits []Limit
	for i, l := range legs {
		inside := l.counts() <= frozenMaxC
		if before := i > 0 && legs[i-1].counts() <= frozenMaxC; inside && !before {
			limits = append(limits, through(civil.DayOf(l.From, zone).AddDays(freezerDays), Limit{
				Name: LimitFreezer, Source: sourceFreezer, Basis: basisPractice,
			}))
		} else if before && !inside {
			thawed := civil.DayOf(l.From, zone)
			if must := limits[len(limits)-1]; must.Source == sourceFreezer && !thawed.After(*must.Date) {
				limits = limits[:len(limits)-1] // thawed in time
			}
			limits = append(limits, through(thawed.AddDays(daysAfterThaw), Limit{
				Name: LimitFreezer, Source: sourceThawed, Basis: basisPractice,
			}))
		}
	}
	return limits
}
