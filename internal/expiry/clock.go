package expiry

import (
	"cmp"
	"fmt"
	"time"

	"firstout/internal/civil"
)

// This file gives the limits of a filling that are clocks from its making: what an assessment gives, what the decision
// table and the band of its water activity give, each along the path that the filling took.

// basisTable is the basis of a limit that the decision table sets.
const basisTable = "food_code_table"

func (f Filling) keptIn() string { return cmp.Or(f.KeptIn, f.Storage) }

func (f Filling) scheme() *Scheme {
	if f.Scheme == nil {
		return shippedScheme()
	}
	return f.Scheme
}

// caps gives how long the batch keeps with no assessment. Nil where nothing is known of what it is made of, or its water
// activity was neither measured nor can be estimated.
func (f Filling) caps(found findings) *Caps {
	if len(f.Parts) == 0 || found.waterActivity.Decision == nil {
		return nil
	}
	caps := f.scheme().Caps(tableOf(f.HeatStep, f.PackedHot), *found.waterActivity.Decision, found.ph)
	return &caps
}

// clocks are limits that run from the making, with the share of the life that the path took: the largest of those that
// bind.
type clocks struct {
	limits []Limit
	used   float64
}

// clockLimits gives the clocks of a filling. An assessment that holds stands in place of the caps: they stay listed.
func (f Filling) clockLimits(caps *Caps, assessed bool) clocks {
	var c clocks
	released := ""
	if assessed {
		released = f.Assessment.Document
		f.run(&c, f.assessedLife(), Limit{Name: LimitAssessment, Source: released, Basis: basisAssessment})
	}
	if caps == nil {
		return c
	}
	if caps.Outcome == OutcomePA {
		f.run(&c, f.life(caps.Cool(false), caps.Chilled()), Limit{
			Name: LimitFoodSafetyCap, Source: caps.safetySource(f.keptIn()), Basis: basisTable, ReleasedBy: released,
		})
	}
	f.run(&c, f.life(caps.Cool(true), caps.Chilled()), Limit{
		Name: LimitWaterActivityCap, Source: caps.bandSource(f.keptIn()), Basis: cmp.Or(caps.Band.Basis, basisShop), ReleasedBy: released,
	})
	return c
}

// run lets a life run along the filling's path, and adds its end as a limit.
func (f Filling) run(c *clocks, life Life, l Limit) {
	used, ends := life.Spent(f.MadeAt, f.Path, f.keptIn())
	if len(f.Path) > 0 {
		ends = ends.Add(time.Microsecond).Truncate(time.Second) // shares are fractions: a whole second that was reached stays so
	}
	if l.ReleasedBy == "" {
		c.used = max(c.used, used)
	}
	c.limits = append(c.limits, until(ends, civil.DayOf(f.MadeAt, f.Zone), f.Zone, l))
}

// life is so long from this filling's making. What is kept chilled keeps no longer in the cool.
func (f Filling) life(cool, chilled Keeps) Life {
	l := Life{Cool: cool.from(f.MadeAt, f.Zone), Chilled: chilled.from(f.MadeAt, f.Zone), ByHours: cool.Days == 0}
	if class(f.keptIn()) != "cool" {
		l.Cool = min(l.Cool, l.Chilled)
	}
	return l
}

// assessedLife is what the assessment gives. In the cool, what was not assessed for it has four hours in all; chilled, what
// was not assessed for that keeps as in the cool.
func (f Filling) assessedLife() Life {
	cool := Keeps{Hours: int(hoursOutOfControl / time.Hour)}
	if days, stated := f.Assessment.Days["cool"]; stated {
		cool = Keeps{Days: days}
	}
	chilled := cool
	if days, stated := f.Assessment.Days["chilled"]; stated {
		chilled = Keeps{Days: days}
	}
	return f.life(cool, chilled)
}

// instead adds to what would help where the class that the filling is kept in has no whole day without an assessment.
func (f Filling) instead(said *string, caps *Caps, assessed bool) *string {
	if caps == nil || assessed || class(f.keptIn()) != "cool" || caps.Cool(false).Days > 0 {
		return said
	}
	text := fmt.Sprintf("In the cool it keeps %s. Chilled, at 5 °C or below, it keeps %s.", caps.Cool(false), caps.Chilled())
	if said != nil {
		text = *said + " " + text
	}
	return &text
}

// longerThanShipped is a caution where the shop's own table gives a filling that no assessment dates longer than the
// shipped one does.
func (f Filling) longerThanShipped(caps *Caps, assessed bool) []string {
	if caps == nil || assessed {
		return nil
	}
	shipped := shippedScheme().Caps(caps.Table, caps.decision, caps.ph)
	if f.life(caps.Cool(false), caps.Chilled()).of(f.keptIn()) <= f.life(shipped.Cool(false), shipped.Chilled()).of(f.keptIn()) {
		return nil
	}
	return []string{CautionLonger}
}

// notPackedHot is a caution where a filling was packed hot, and nothing on record says that it was hot enough.
func (f Filling) notPackedHot() []string {
	if !f.PackedHot || f.HeatStep.meets(killStep()) {
		return nil
	}
	return []string{CautionNotPackedHot}
}

func (f Filling) storageCautions() []string {
	if Look(f.Path).NotMeasured {
		return []string{CautionNotMeasured}
	}
	return nil
}

// safetySource says in words why the decision table caps the life, and to how long.
func (c Caps) safetySource(storage string) string {
	ph := "an unknown pH"
	if c.ph != nil {
		ph = "pH " + number(*c.ph)
	}
	keeps := c.Chilled()
	if class(storage) == "cool" {
		keeps = c.Cool(false)
	}
	return fmt.Sprintf("%s: water activity %s with %s needs a product assessment; without one, %s %s",
		c.source, number(c.decision), ph, keeps, called(storage))
}

// bandSource says in words what the band of the water activity gives.
func (c Caps) bandSource(storage string) string {
	keeps := c.Chilled()
	if class(storage) == "cool" {
		keeps = c.Band.Cool
	}
	return fmt.Sprintf("water activity %s is %s: %s %s", number(c.decision), c.within(), keeps, called(storage))
}

// within says between which water activities the band lies.
func (c Caps) within() string {
	most := "below " + number(c.Band.Max)
	if c.Band.MaxIncluded {
		most = "no more than " + number(c.Band.Max)
	}
	if c.above == "" {
		return most
	}
	return c.above + " and " + most
}

// called is the class that a life is stated for, as it is said.
func called(storage string) string {
	if class(storage) == "cool" {
		return "in the cool"
	}
	return "chilled"
}
