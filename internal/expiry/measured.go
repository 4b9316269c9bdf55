package expiry

import (
	"fmt"
	"math"

	"firstout/internal/civil"
)

// Measured is a water activity with the uncertainty that its instrument states, both 0 to 1.
type Measured struct {
	Value       float64
	Uncertainty *float64
}

// FormulaMeasured is what a laboratory found on samples of a formula. It serves each batch within tolerance that was
// made from On through ValidUntil.
type FormulaMeasured struct {
	WaterActivity *float64
	Uncertainty   *float64 // of the water activity
	PH            *float64
	Document      string
	On            civil.Day
	ValidUntil    civil.Day
}

// leastUncertainty is added to a measured water activity whose instrument states less, or nothing (common practice, no
// source).
const leastUncertainty = 0.005

// decision gives the water activity to decide by: what was measured and its uncertainty, at most 1. The sum is freed
// of what binary fractions add, so that 0.935 and 0.005 are 0.94 and not a hair more.
func (m Measured) decision() float64 {
	uncertainty := leastUncertainty
	if m.Uncertainty != nil {
		uncertainty = max(uncertainty, *m.Uncertainty)
	}
	return min(1, tidy(m.Value+uncertainty))
}

// findings are what is known of a batch's water activity and pH, and why what is on record does not count.
type findings struct {
	waterActivity WaterActivity
	ph            *float64
	cautions      []string
}

// farOff is the difference between what was measured and what the composition comes to from which one of them is likely to
// be wrong (common practice, no source).
const farOff = 0.05

// estimate puts in what the composition allows to estimate: to decide by if nothing was measured.
func (found *findings) estimate(e Estimated) {
	measured := found.waterActivity.Decision != nil
	switch {
	case e.EthanolShare > 0 && measured:
		found.cautions = append(found.cautions, CautionEthanolMeter)
	case e.EthanolShare > 0:
		found.cautions = append(found.cautions, CautionEthanol)
	}
	if e.Refused() {
		if !measured {
			found.cautions = append(found.cautions, e.why()...)
		}
		return
	}
	found.waterActivity.Estimated, found.waterActivity.WithoutEthanol = &e.WithEthanol, &e.WithoutEthanol
	if measured {
		if math.Abs(*found.waterActivity.Decision-e.WithoutEthanol) > farOff {
			found.cautions = append(found.cautions, CautionFarOff)
		}
		return
	}
	decision := e.Decision()
	found.waterActivity.Decision, found.waterActivity.Basis = &decision, BasisEstimated
	found.cautions = append([]string{CautionEstimated, CautionEstimateError}, found.cautions...)
	if e.mostlyInvert {
		found.cautions = append(found.cautions, CautionInvert)
	}
}

// findings looks at the batch first, at its formula for what was not measured on the batch, and at what it is made of if
// the water activity was measured on neither. What was measured replaces an estimate and is never averaged with it.
func (f Filling) findings() findings {
	found := findings{waterActivity: WaterActivity{Basis: BasisNone}, ph: f.PH}
	measured := f.WaterActivity
	if measured != nil {
		found.waterActivity.Basis = BasisMeasured
	}
	if on := f.FormulaMeasured; on != nil {
		if why := f.unserved(); why != "" {
			found.cautions = append(found.cautions, why)
		} else {
			if measured == nil && on.WaterActivity != nil {
				measured = &Measured{Value: *on.WaterActivity, Uncertainty: on.Uncertainty}
				found.waterActivity.Basis = BasisMeasuredOnFormula
			}
			if found.ph == nil {
				found.ph = on.PH
			}
		}
	}
	if measured != nil {
		decision := measured.decision()
		found.waterActivity.Decision = &decision
		found.cautions = append(found.cautions, CautionMeasured)
	}
	if len(f.Parts) > 0 {
		found.estimate(Mix(f.Parts, f.EvaporatedG).WaterActivity())
	}
	return found
}

// unserved says why what was measured on the formula does not serve this batch; empty if it does.
func (f Filling) unserved() string {
	madeOn := civil.DayOf(f.MadeAt, f.Zone)
	on := f.FormulaMeasured
	switch {
	case madeOn.Before(on.On) || madeOn.After(on.ValidUntil):
		return fmt.Sprintf("What %s measured on the formula does not count: it is valid from %s through %s, and this batch was made on %s.",
			on.Document, on.On, on.ValidUntil, madeOn)
	case !f.WithinTolerance:
		return fmt.Sprintf("What %s measured on the formula does not count: this batch is outside the formula's tolerance.", on.Document)
	default:
		return ""
	}
}
