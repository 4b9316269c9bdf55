package expiry

import (
	"slices"
	"time"
)

// How fast a boiled filling has to cool (US Food Code 3-501.14, from memory): from 57 °C to 21 °C within two hours, and to
// 5 °C within six hours in all.
const (
	coolingFromC = 57.0
	coolingMidC  = 21.0
	coolingToC   = chilledMaxC
	coolingMid   = 2 * time.Hour
	coolingWhole = 6 * time.Hour
)

// coolingWatched is how long a reading says how something cooled (common practice, no source).
const coolingWatched = 12 * time.Hour

// Cooling is how a boiled filling cooled. Late is a deviation of safety.
type Cooling struct {
	From   time.Time      // when its clock started
	To21   *time.Duration // from 57 °C; nil: no reading yet that low
	To5    *time.Duration
	DueBy  *time.Time // until when the next step has to be done; nil once it is cold, or late
	Late   bool
	LateAt *time.Time // when the time for a step had gone by without it; nil while nothing is late
	Reason string     // a sentence; empty while nothing is late
}

// Cools tells whether a filling that was heated so has to be cooled by the clock: a boil, or 70 °C for 2 minutes, kills
// what grows and leaves the spores.
func (done HeatStep) Cools() bool { return done.meets(killStep()) }

// CheckCooling looks at the readings of a filling that was heated and cools, up to now. Its clock starts at the last
// reading at 57 °C or above, or at the heating itself. A step counts as done at the first reading at or below its
// temperature.
func CheckCooling(heatedAt time.Time, readings []Reading, now time.Time) Cooling {
	ordered := slices.Clone(readings)
	slices.SortFunc(ordered, func(a, b Reading) int { return a.At.Compare(b.At) })
	c := Cooling{From: heatedAt}
	for _, r := range ordered {
		if r.TemperatureC >= coolingFromC {
			c.From, c.To21, c.To5 = r.At, nil, nil
			continue
		}
		took := r.At.Sub(c.From)
		if r.TemperatureC <= coolingMidC && c.To21 == nil {
			c.To21 = &took
		}
		if r.TemperatureC <= coolingToC && c.To5 == nil {
			c.To5 = &took
		}
	}
	c.judge(now)
	return c
}

// ReadCooling looks at what was read of a filling that was heated and cools, as far as the readings go: that nobody read
// anything since does not make it late. A reading twelve hours after the clock started or later is of something else: of
// what was warmed again to be piped. read is false where none is left; the clock then started and the first step is due.
func ReadCooling(heatedAt time.Time, readings []Reading) (c Cooling, read bool) {
	start := heatedAt
	for _, r := range readings {
		if r.TemperatureC >= coolingFromC && r.At.After(start) {
			start = r.At
		}
	}
	last := start
	var counted []Reading
	for _, r := range readings {
		if r.At.Sub(start) < coolingWatched {
			counted = append(counted, r)
			if r.At.After(last) {
				last = r.At
			}
		}
	}
	return CheckCooling(heatedAt, counted, last), len(counted) > 0
}

// judge says which step was not done in its time, or is due next.
func (c *Cooling) judge(now time.Time) {
	for _, step := range []struct {
		took   *time.Duration
		most   time.Duration
		reason string
	}{
		{c.To21, coolingMid, "It took more than 2 hours from 57 to 21 °C: decide about it before it is used."},
		{c.To5, coolingWhole, "It took more than 6 hours from 57 to 5 °C: decide about it before it is used."},
	} {
		due := c.From.Add(step.most)
		switch {
		case step.took == nil && now.After(due), step.took != nil && *step.took > step.most:
			c.Late, c.LateAt, c.Reason = true, &due, step.reason
			return
		case step.took == nil:
			c.DueBy = &due
			return
		}
	}
}
