package expiry

import (
	"slices"
	"time"
)

// A Reading is a temperature in °C that was read in a place, or on what stands there.
type Reading struct {
	At           time.Time
	TemperatureC float64
}

// A Watch is how the temperature of a place is kept an eye on.
type Watch struct {
	Storage      string   // the place's class: cool, chilled, frozen or dry
	LimitC       *float64 // its own upper limit; nil: that of its class
	Monitored    bool     // by hand or by a logger; else it counts at its class's upper limit, or what was read if warmer
	ToleranceC   float64  // above the limit, that changes no class: defrosting, an open door. Law and practice set it
	ToleranceFor time.Duration
	Failed       bool // a failure was declared: unread time counts as 25 °C or warmer
	Sealed       bool // what stands there is sealed
	Readings     []Reading
}

// Stays gives the times that a thing stood in the place between two instants, with the temperature that each counts at:
// between two readings the warmer of both; before the first and since the last the warmer of the reading and the limit
// of the place's class.
func (w Watch) Stays(from, to time.Time) []Stay {
	readings := slices.Clone(w.Readings)
	slices.SortFunc(readings, func(a, b Reading) int { return a.At.Compare(b.At) })
	var stays []Stay
	now := from
	var before *Reading
	for i := range readings {
		r := readings[i]
		if !r.At.After(from) {
			before = &r
			continue
		}
		if r.At.After(now) && now.Before(to) {
			stays = append(stays, w.stay(now, earlierOf(r.At, to), before, &r))
		}
		now, before = r.At, &r
	}
	if now.Before(to) {
		stays = append(stays, w.stay(now, to, before, nil))
	}
	return w.tolerated(stays)
}

// stay is the time between two readings, either of which may be missing.
func (w Watch) stay(from, to time.Time, before, after *Reading) Stay {
	limit := classMaxC(w.Storage)
	s := Stay{From: from, To: to, Storage: w.Storage, Sealed: w.Sealed, Unread: w.Monitored}
	var ends []float64
	for _, r := range []*Reading{before, after} {
		if r != nil {
			ends = append(ends, r.TemperatureC)
		}
	}
	if len(ends) < 2 || !w.Monitored {
		ends = append(ends, limit)
	}
	if w.Failed {
		ends = append(ends, failureC)
	}
	if warmest := slices.Max(ends); w.Monitored || warmest > limit {
		s.TemperatureC = &warmest
	}
	return s
}

// tolerated counts what stayed within the place's tolerance at the upper limit of its class: a time above the limit,
// unbroken, no warmer than the tolerance and no longer.
func (w Watch) tolerated(stays []Stay) []Stay {
	limit := classMaxC(w.Storage)
	most := limit + w.ToleranceC
	if w.LimitC != nil {
		most = *w.LimitC + w.ToleranceC
	}
	over := func(s Stay) bool { return s.counts() > limit }
	for i := 0; i < len(stays); {
		j := i
		var length time.Duration
		within := true
		for ; j < len(stays) && over(stays[j]); j++ {
			length += stays[j].To.Sub(stays[j].From)
			within = within && stays[j].counts() <= most
		}
		if within && length <= w.ToleranceFor {
			for k := i; k < j; k++ {
				stays[k].TemperatureC = &limit
			}
		}
		i = max(j, i+1)
	}
	return stays
}

func earlierOf(a, b time.Time) time.Time {
	if a.Before(b) {
		return a
	}
	return b
}
