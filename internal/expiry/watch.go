package expiry

import (
	"cmp"
	"slices"
	"time"
)

// A Reading is a temperature in °C that was read in a place, or on what stands there: at an instant, or all the time from
// From to At. Failed says that nothing was read and a failure was declared.
type Reading struct {
	From         time.Time // zero: at the instant At
	At           time.Time
	TemperatureC float64
	Failed       bool
}

// Began is when what the reading stands for began: the instant itself, or the start of its time.
func (r Reading) Began() time.Time {
	if r.From.IsZero() {
		return r.At
	}
	return r.From
}

func (r Reading) spans() bool { return r.From.Before(r.At) && !r.From.IsZero() }

// A Watch is how the temperature of a place is kept an eye on.
type Watch struct {
	Storage      string   // the place's class: cool, chilled, frozen or dry
	LimitC       *float64 // its own upper limit; nil: that of its class
	Monitored    bool     // by hand or by a logger; else it counts at its class's upper limit, or what was read if warmer
	ToleranceC   float64  // above the limit, that changes no class: defrosting, an open door. Law and practice set it
	ToleranceFor time.Duration
	Sealed       bool // what stands there is sealed
	Readings     []Reading
}

// MaxC is the upper limit in °C of the place's class.
func (w Watch) MaxC() float64 { return classMaxC(w.Storage) }

// reach is how far a reading says something of a time that nobody began to read, or of a place that nobody monitors.
const reach = LongestGap

// Stays gives the times that a thing stood in the place between two instants, with the temperature that each counts at:
// between two readings the warmer of both, and 25 °C or more where a failure was declared meanwhile; since the last
// reading the warmer of it and the limit of the place's class, and so for a day before the first. Where nobody monitors,
// a reading speaks for a day before it and after it, up to the next, and one that stands for a time for that time alone;
// what is between counts at the upper limit of the class.
func (w Watch) Stays(from, to time.Time) []Stay {
	points, cuts := w.points(), w.cuts(from, to)
	stays := make([]Stay, 0, len(cuts))
	for i := 1; i < len(cuts); i++ {
		stays = append(stays, w.stay(points, cuts[i-1], cuts[i]))
	}
	return w.tolerated(stays)
}

// A point is an instant at which a temperature is known, the warmest of those read then.
type point struct {
	at           time.Time
	temperatureC float64
}

// points are the instants between which nothing is known.
func (w Watch) points() []point {
	var points []point
	for _, r := range w.Readings {
		if !r.Failed && (w.Monitored || !r.spans()) {
			points = append(points, point{r.Began(), r.TemperatureC}, point{r.At, r.TemperatureC})
		}
	}
	slices.SortFunc(points, func(a, b point) int {
		return cmp.Or(a.at.Compare(b.at), -cmp.Compare(a.temperatureC, b.temperatureC))
	})
	return slices.CompactFunc(points, func(a, b point) bool { return a.at.Equal(b.at) })
}

// cuts are the instants between from and to at which what counts may change, both among them.
func (w Watch) cuts(from, to time.Time) []time.Time {
	if !from.Before(to) {
		return nil
	}
	all := []time.Time{from, to}
	first := true
	for _, r := range slices.SortedFunc(slices.Values(w.Readings), Reading.compare) {
		if !r.Failed || !w.Monitored || first {
			all = append(all, r.Began(), r.At)
		}
		if first || !w.Monitored {
			all = append(all, r.Began().Add(-reach))
		}
		if !w.Monitored {
			all = append(all, r.At.Add(reach))
		}
		first = first && r.Failed
	}
	all = slices.DeleteFunc(all, func(at time.Time) bool { return at.Before(from) || at.After(to) })
	slices.SortFunc(all, time.Time.Compare)
	return slices.CompactFunc(all, time.Time.Equal)
}

// compare orders readings by their beginning; of those of one instant what was read comes before what failed.
func (r Reading) compare(o Reading) int {
	failed := func(r Reading) int {
		if r.Failed {
			return 1
		}
		return 0
	}
	return cmp.Or(r.Began().Compare(o.Began()), cmp.Compare(failed(r), failed(o)))
}

// stay is the time between two cuts.
func (w Watch) stay(points []point, from, to time.Time) Stay {
	limit := w.MaxC()
	s := Stay{From: from, To: to, Storage: w.Storage, Sealed: w.Sealed}
	counts, read := w.read(from, to)
	if !read {
		counts, s.Unread = w.unread(points, from, to)
	}
	if len(counts) == 0 {
		return s
	}
	if warmest := slices.Max(counts); w.Monitored || warmest > limit {
		s.TemperatureC = &warmest
	}
	return s
}

// read gives what the readings say that stand for all of a time, and what was read at an instant in the middle of them.
func (w Watch) read(from, to time.Time) (temperatures []float64, read bool) {
	var start, end time.Time
	for _, r := range w.Readings {
		if r.spans() && !r.Failed && !r.From.After(from) && !r.At.Before(to) {
			temperatures, read = append(temperatures, r.TemperatureC), true
			if start.IsZero() || r.From.Before(start) {
				start = r.From
			}
			if r.At.After(end) {
				end = r.At
			}
		}
	}
	for _, r := range w.Readings {
		inside := r.At.After(start) && r.At.Before(end)
		if read && inside && !r.spans() && !r.Failed && (r.At.Equal(from) || r.At.Equal(to)) {
			temperatures = append(temperatures, r.TemperatureC)
		}
	}
	return temperatures, read
}

// unread gives what a time counts at that nobody read: by the readings on both its sides and by declared failures.
// known says that it lies between two readings of a place that is monitored, or next to one.
func (w Watch) unread(points []point, from, to time.Time) (temperatures []float64, known bool) {
	next, _ := slices.BinarySearchFunc(points, to, func(p point, at time.Time) int { return p.at.Compare(at) })
	var before, after *point
	if next < len(points) {
		after = &points[next]
	}
	if i, exact := slices.BinarySearchFunc(points, from, func(p point, at time.Time) int { return p.at.Compare(at) }); exact {
		before = &points[i]
	} else if i > 0 {
		before = &points[i-1]
	}
	watched := w.Monitored && before != nil
	if before != nil && (watched || after == nil || from.Before(before.at.Add(reach))) {
		temperatures = append(temperatures, before.temperatureC)
	}
	if after != nil && (watched || to.After(after.at.Add(-reach))) {
		temperatures = append(temperatures, after.temperatureC)
	}
	if w.failed(before, after, from, to) {
		temperatures = append(temperatures, failureC)
	}
	if len(temperatures) > 0 && (!watched || after == nil) {
		temperatures = append(temperatures, w.MaxC())
	}
	return temperatures, w.Monitored && len(temperatures) > 0
}

// failed tells whether a failure was declared in the unread time between two points of which from and to are a part, or
// within reach where there are not both.
func (w Watch) failed(before, after *point, from, to time.Time) bool {
	return slices.ContainsFunc(w.Readings, func(r Reading) bool {
		switch {
		case !r.Failed, before != nil && r.At.Before(before.at), after != nil && r.Began().After(after.at):
			return false
		case w.Monitored && before != nil:
			return true
		default:
			return to.After(r.Began().Add(-reach)) && (after == nil || from.Before(r.At.Add(reach)))
		}
	})
}

// tolerated counts what stayed within the place's tolerance at the upper limit of its class: a time above the limit,
// unbroken, no warmer than the tolerance and no longer.
func (w Watch) tolerated(stays []Stay) []Stay {
	limit := w.MaxC()
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

// OutOfClass gives the times of a path at which it was warmer than the class of the place.
func OutOfClass(path []Stay) []Spell {
	var spells []Spell
	for _, s := range path {
		if s.counts() <= classMaxC(s.Storage) || !s.From.Before(s.To) {
			continue
		}
		spell := Spell{From: s.From, To: s.To, TemperatureC: s.counts()}
		if last := len(spells) - 1; last >= 0 && spells[last].To.Equal(spell.From) && spells[last].TemperatureC == spell.TemperatureC {
			spells[last].To = spell.To
			continue
		}
		spells = append(spells, spell)
	}
	return spells
}
