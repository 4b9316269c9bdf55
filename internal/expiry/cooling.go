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

// Cooling is how a boiled filling cooled. Late is a deviation of safety.
type Cooling struct {
	To21   *time.Duration // from 57 °C; nil: no reading yet that low
	To5    *time.Duration
	Late   bool
	Reason string // a sentence; empty while nothing is late
}

// CheckCooling looks at the readings of a filling that was heated and cools, up to now. Its clock starts at the last
// reading at 57 °C or above, or at the heating itself. A step counts as done at the first reading at or below its
// temperature.
func CheckCooling(heatedAt time.Time, readings []Reading, now time.Time) Cooling {
	ordered := slices.Clone(readings)
	slices.SortFunc(ordered, func(a, b Reading) int { return a.At.Compare(b.At) })
	var c Cooling
	start := heatedAt
	for _, r := range ordered {
		if r.TemperatureC >= coolingFromC {
			start, c.To21, c.To5 = r.At, nil, nil
			continue
		}
		took := r.At.Sub(start)
		if r.TemperatureC <= coolingMidC && c.To21 == nil {
			c.To21 = &took
		}
		if r.TemperatureC <= coolingToC && c.To5 == nil {
			c.To5 = &took
		}
	}
	late := func(took *time.Duration, most time.Duration) bool {
		if took == nil {
			return now.Sub(start) > most
		}
		return *took > most
	}
	switch {
	case late(c.To21, coolingMid):
		c.Late, c.Reason = true, "It took more than 2 hours from 57 to 21 °C: decide about it before it is used."
	case late(c.To5, coolingWhole):
		c.Late, c.Reason = true, "It took more than 6 hours from 57 to 5 °C: decide about it before it is used."
	}
	return c
}
