package workshop

import (
	"fmt"
	"slices"
	"time"

	"firstout/internal/events"
	"firstout/internal/expiry"
)

// This file follows how a boiled filling cools: by what was read of it, and by nothing else. It is over with its use in
// pieces.

// ruleLateCooling is the rule that a filling broke which took too long to cool, and the cause of the hold that follows.
const ruleLateCooling = "late_cooling"

// coolingKept is how long after its making a batch's temperatures are kept with it; later ones stand in the log.
const coolingKept = 24 * time.Hour

// cooling is how a boiled filling cooled; known is false where nobody
// read in time how fast.
func (g *Ganache) cooling() (c expiry.Cooling, known bool) {
	readings := make([]expiry.Reading, 0, len(g.Cooling))
	for _, r := range g.Cooling {
		readings = append(readings, expiry.Reading{At: r.At, TemperatureC: r.TemperatureC})
	}
	return expiry.ReadCooling(g.At, readings)
}

// Cools tells whether a batch was heated so that it has to be cooled by the clock.
func (g *Ganache) Cools() bool { return heatStep(g.HeatStep).Cools() }

// Cooled tells how a batch that Cools did so, with what is to be said beside it.
func (g *Ganache) Cooled() (c expiry.Cooling, cautions []string) {
	c, known := g.cooling()
	if !known {
		cautions = append(cautions, expiry.CautionNotCooled)
	}
	return c, cautions
}

// cools says that the check gives a temperature by which a batch's cooling is judged.
func (c Check) cools() bool { return readsCooling(c.Code, c.Kind, c.Value) }

func readsCooling(code events.Code, kind string, value *float64) bool {
	return code.Kind() == events.KindGanache && value != nil && kind == checkTemperature
}

// isCooling says whether a boiled batch has not been made for so long that it could be cold.
func (s *Set) isCooling(code events.Code, at time.Time) bool {
	if code.Kind() != events.KindGanache || !s.Exists(code) {
		return false
	}
	ganache := s.Ganache(code)
	return ganache.Cools() && at.Sub(ganache.At) <= expiry.CoolingTime
}

// cooled keeps a temperature with a boiled batch.
func (a *applying) cooled(e events.Checked) error {
	ganache := a.Ganache(e.Code)
	if ganache == nil {
		return fmt.Errorf("no ganache %s", e.Code)
	}
	if !ganache.Cools() || a.r.OccurredAt.Sub(ganache.At) > coolingKept {
		return nil
	}
	kept := a.Ganaches.edit(e.Code)
	kept.Cooling = append(slices.Clip(kept.Cooling), events.TemperatureReading{At: a.r.OccurredAt, TemperatureC: *e.Value})
	return nil
}

// judgeCooling opens a deviation of safety, once, where the readings of a boiled batch show that it cooled too late; the
// batch is held, and what was made of it since.
func (d *Desk) judgeCooling(code events.Code) {
	ganache := d.Set.Ganache(code)
	if !ganache.Cools() || ganache.CooledLate {
		return
	}
	c, _ := ganache.cooling()
	if !c.Late {
		return
	}
	deviation := d.record(d.At, d.site, events.DeviationOpened{Code: code, Concern: concernSafety, Rule: ruleLateCooling, Detail: c.Reason})
	codes := slices.DeleteFunc(d.withDownstream(code), func(made events.Code) bool { return d.usedBy(*c.LateAt, code, made) })
	d.hold(code, codes, ruleLateCooling, c.Reason, &deviation.ID)
}

// usedBy says whether a filling, or a part of it, went into pieces by an instant and not after it: it was in time then.
func (d *Desk) usedBy(at time.Time, filling, made events.Code) bool {
	if made.Kind() != events.KindRun {
		return false
	}
	used := false
	for code, filledAt := range d.Set.Run(made).FilledAt {
		if code == filling || code.Whole() == filling {
			if filledAt.After(at) {
				return false
			}
			used = true
		}
	}
	return used
}

// readings are the temperatures that were given with the batch, as the book keeps times.
func (c MakeGanache) readings() []events.TemperatureReading {
	var kept []events.TemperatureReading
	for _, r := range c.Cooling {
		kept = append(kept, events.TemperatureReading{At: instant(r.At), TemperatureC: r.TemperatureC})
	}
	return kept
}

// checkCooling refuses readings that cannot be of the batch's cooling.
func (c MakeGanache) checkCooling(d *Desk) *Refusal {
	if len(c.Cooling) > 0 && !heatStep(c.HeatStep).Cools() {
		return invalid("/cooling", "A filling that was neither boiled nor held at 70 °C for 2 minutes has no cooling to be watched: give its heat_step, or leave cooling out.")
	}
	for i, r := range c.Cooling {
		at := fmt.Sprintf("/cooling/%d/at", i)
		switch {
		case r.At.Before(d.At):
			return invalid(at, "That is before it was made: give the time of the making in occurred_at.")
		case r.At.After(d.Now.Add(ahead)):
			return invalid(at, "That is more than 5 minutes ahead of the book's clock: give readings when they are taken.")
		case r.At.Sub(d.At) > coolingKept:
			return invalid(at, "That is more than a day after the making: it says nothing of how it cooled.")
		}
	}
	return nil
}
