package expiry

import (
	"fmt"
	"math"
	"slices"
	"strconv"
)

// An Assessment is a qualified person's recorded word on how long a filling keeps. It holds for batches whose decision
// water activity and pH are known to be no higher than its bounds, and says nothing of any other.
type Assessment struct {
	Document         string
	DateKind         string // of the date it gives; empty: by water activity and pH
	WaterActivityMax *float64
	PHMax            *float64
	Days             map[string]int // civil days from the making, by storage class
	Releases         []string       // LimitIngredientUseBy, LimitOpenedIngredient: of heated inputs in date when used
	Requires         *HeatStep      // the heat step without which it releases nothing
}

// A HeatStep is how a filling was heated, or has to be.
type HeatStep struct {
	Boiled       bool
	TemperatureC *float64 // in the coldest part
	Minutes      *float64 // held at that temperature
}

// A full boil counts as these, and not as more (European Commission guidance on Listeria: 70 °C for 2 minutes is
// six decimal reductions).
const (
	boilCountsAsC       = 70.0
	boilCountsAsMinutes = 2.0
)

// meets tells whether the step as done is at least the step required.
func (done HeatStep) meets(required HeatStep) bool {
	reaches := func(did, must *float64, boil float64) bool {
		return must == nil || (did != nil && *did >= *must) || (done.Boiled && *must <= boil)
	}
	return (done.Boiled || !required.Boiled) &&
		reaches(done.TemperatureC, required.TemperatureC, boilCountsAsC) &&
		reaches(done.Minutes, required.Minutes, boilCountsAsMinutes)
}

// A verdict is whether an assessment dates a batch, and if not, why.
type verdict struct {
	status   string
	instead  *string
	cautions []string
}

// judge holds what was found of a batch against the assessment, which may be nil.
func (as *Assessment) judge(found findings, storage string) verdict {
	if as == nil {
		return verdict{status: unassessed(found), cautions: []string{"This filling needs a recorded assessment of how long it keeps."}}
	}
	if why := as.outside(found, storage); why != "" {
		return verdict{status: StatusOutsideAssessment, instead: &why}
	}
	if missing := as.unmeasured(found); missing != "" {
		return verdict{status: unassessed(found), cautions: []string{fmt.Sprintf(
			"%s holds up to a %s that was measured neither on this batch nor on its formula: measure it.", as.Document, missing)}}
	}
	return verdict{status: StatusAssessed}
}

// unassessed is the status of a batch that no assessment dates.
func unassessed(found findings) string {
	if found.waterActivity.Decision == nil && found.ph == nil {
		return StatusNotEstimated
	}
	return StatusAssessmentNeeded
}

// outside says what is known to be outside the assessment and what it would take; empty if nothing is.
func (as *Assessment) outside(found findings, storage string) string {
	const wanted = "an assessment that covers it, or a batch within the range"
	over := func(value, most *float64) bool { return value != nil && most != nil && *value > *most }
	if over(found.waterActivity.Decision, as.WaterActivityMax) {
		return fmt.Sprintf("%s holds up to water activity %s; this batch counts as %s: %s is needed.",
			as.Document, number(*as.WaterActivityMax), number(*found.waterActivity.Decision), wanted)
	}
	if over(found.ph, as.PHMax) {
		return fmt.Sprintf("%s holds up to pH %s; this batch has %s: %s is needed.", as.Document, number(*as.PHMax), number(*found.ph), wanted)
	}
	if _, stated := as.Days[class(storage)]; !stated {
		return fmt.Sprintf("%s gives no days for %s storage: an assessment that does is needed.", as.Document, class(storage))
	}
	return ""
}

// unmeasured names a value that the assessment bounds and nobody has measured; empty if there is none.
func (as *Assessment) unmeasured(found findings) string {
	switch {
	case as.WaterActivityMax != nil && found.waterActivity.Decision == nil:
		return "water activity"
	case as.PHMax != nil && found.ph == nil:
		return "pH"
	default:
		return ""
	}
}

// A release is which limits of an input do not bind, and on which document's word.
type release struct {
	names    []string
	document string
}

// releases gives what the assessment releases in a batch that it dates, and a caution if for want of the heat step
// it releases nothing.
func (as *Assessment) releases(done HeatStep, v verdict) (release, []string) {
	if as == nil || v.status != StatusAssessed || len(as.Releases) == 0 {
		return release{}, nil
	}
	if as.Requires != nil && !done.meets(*as.Requires) {
		return release{}, []string{fmt.Sprintf(
			"%s releases no ingredient's date here: the heat step that it requires was not recorded.", as.Document)}
	}
	names := slices.DeleteFunc(slices.Clone(as.Releases), func(name string) bool {
		return name != LimitIngredientUseBy && name != LimitOpenedIngredient
	})
	return release{names: names, document: as.Document}, nil
}

// number writes a water activity or a pH as it is said, to five decimals.
func number(value float64) string { return strconv.FormatFloat(math.Round(value*1e5)/1e5, 'f', -1, 64) }
