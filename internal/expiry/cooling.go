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
	coolingWhole = CoolingTime
)

// CoolingTime is how long a boiled filling may take in all until it is cold.
const CoolingTime = 6 * time.Hour

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
	c, _ := cool(heatedAt, readings)
	c.judge(now, c.steps())
	return c
}

// ReadCooling looks at what was read of a filling that was heated and cools, as far as the readings go: late is what they
// show to be late, and not what nobody read. known is false where they do not show how fast it cooled: there are none, or
// the first came when a step's time was over and was at or below its temperature already. A reading twelve hours after the
// clock started or later is of something else: of what was warmed again to be piped.
func ReadCooling(heatedAt time.Time, readings []Reading) (c Cooling, known bool) {
	_, all := cool(heatedAt, readings)
	start := heatedAt
	for _, r := range all {
		if r.TemperatureC >= coolingFromC {
			start = r.At
		}
	}
	counted := slices.DeleteFunc(all, func(r Reading) bool { return r.At.Sub(start) >= coolingWatched })
	c, counted = cool(heatedAt, counted)
	if len(counted) == 0 {
		c.judge(c.From, c.steps())
		return c, false
	}
	steps := slices.DeleteFunc(c.steps(), func(step coolingStep) bool {
		return *step.took != nil && **step.took > step.most && counted[0].TemperatureC <= step.toC
	})
	c.judge(counted[len(counted)-1].At, steps)
	return c, len(steps) == len(c.steps())
}

// cool finds when each step was done, and gives the readings in order.
func cool(heatedAt time.Time, readings []Reading) (Cooling, []Reading) {
	ordered := slices.Clone(readings)
	slices.SortFunc(ordered, func(a, b Reading) int { return a.At.Compare(b.At) })
	c := Cooling{From: heatedAt}
	for _, r := range ordered {
		if r.TemperatureC >= coolingFromC {
			c.From, c.To21, c.To5 = r.At, nil, nil
			continue
		}
		for _, step := range c.steps() {
			if r.TemperatureC <= step.toC && *step.took == nil {
				took := r.At.Sub(c.From)
				*step.took = &took
			}
		}
	}
	return c, ordered
}

// A coolingStep is a temperature that has to be reached in a time.
type coolingStep struct {
	took   **time.Duration
	toC    float64
	most   time.Duration
	reason string
}

func (c *Cooling) steps() []coolingStep {
	return []coolingStep{
		{&c.To21, coolingMidC, coolingMid, "It took more than 2 hours from 57 to 21 °C: decide about it before it is used."},
		{&c.To5, coolingToC, coolingWhole, "It took more than 6 hours from 57 to 5 °C: decide about it before it is used."},
	}
}

// judge says which of the steps was not done in its time, or is due next.
func (c *Cooling) judge(now time.Time, steps []coolingStep) {
	for _, step := range steps {
		due, took := c.From.Add(step.most), *step.took
		switch {
		case took == nil && now.After(due), took != nil && *took > step.most:
			c.Late, c.LateAt, c.Reason = true, &due, step.reason
			return
		case took == nil:
			c.DueBy = &due
			return
		}
	}
}
