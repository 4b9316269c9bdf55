// Package expiry works out until when something keeps, which limit bound, and every other limit beside it with its
// source: for lots and portions, for fillings, and for the pieces made of them.
//
// Its functions are pure: times, zones and what was measured are arguments, and nothing is looked up. It decides
// nothing about stock. What it gives is arithmetic on recorded dates and assessments, never a judgement that food is
// safe: local food law and qualified people decide, and every answer says so.
//
// A limit is of one of two kinds. A civil day holds through that day: a date mark, or opened on day D with n days,
// which is D + n. An instant ends a clock that ran from the making: made and n civil days at the same local time, or
// four hours; its date is the last whole local day that is over by then, and there is none if that day came before the
// clock began.
package expiry

import (
	"cmp"
	"time"

	"firstout/internal/civil"
)

// The kinds of a date (Regulation (EU) 1169/2011, art. 24): after a use-by the food is deemed unsafe; after a best
// before the shop decides.
const (
	KindUseBy      = "use_by"
	KindBestBefore = "best_before"
)

// What is known of how safe a filling is. A lot, or a piece with no filling, is StatusNotEstimated: it rests on date
// marks alone.
const (
	StatusSafeByTable       = "safe_by_table" // the decision table asks for no assessment
	StatusAssessed          = "assessed"
	StatusAssessmentNeeded  = "assessment_needed"
	StatusOutsideAssessment = "outside_assessment"
	StatusNotEstimated      = "not_estimated"
)

// What a water activity rests on.
const (
	BasisNone              = "none"
	BasisEstimated         = "estimated"
	BasisMeasured          = "measured"
	BasisMeasuredOnFormula = "measured_on_formula"
)

// Method and Tables are the versions of the rules and of the figures in this package; an answer carries both, so that
// a date written down years ago can be explained by the rules it was made with.
const (
	Method = "1"
	Tables = "1"
)

// An Answer is a date with its reasons. Its fields have the names and the order of the recorded one.
type Answer struct {
	Kind          string         // KindUseBy or KindBestBefore
	Date          *civil.Day     // inclusive; the earliest limit that is not released. Nil: no whole day, or no date yet
	UseBy         *civil.Day     // inclusive; the earliest use-by limit that is not released
	DiscardBy     *time.Time     // the end of UseBy's day, or the instant if no whole day is left; nil if no use-by limit
	EndsBy        time.Time      // the same for Date; with no date yet, the earliest end known, else the making
	Binds         string         // the name of the limit that Date is; empty while there is no date yet
	Limits        []Limit        // the one that binds first, then by their ends; released ones among them
	WaterActivity *WaterActivity // never nil
	PH            *float64
	Status        string
	UsedShare     float64 // of the life, spent before this answer
	Instead       *string // what it would take, where an assessment does not hold or the class has no whole day
	Method        string
	Tables        string
	Cautions      []string // to be shown beside the date as they stand
}

// WaterActivity is what is known of a filling's water activity, 0 to 1. Decision is the value that limits are compared
// with: never below what was measured, or estimated without ethanol. Estimated and WithoutEthanol are there beside what
// was measured, too, where the composition allows an estimate.
type WaterActivity struct {
	Estimated      *float64
	WithoutEthanol *float64
	Decision       *float64
	Basis          string
}

// HasDate tells whether there is a whole day of life to print on a label.
func (a Answer) HasDate() bool { return a.Date != nil }

// Binding gives the limit that the answer's date, or its instant, is. There is none while there is no date yet.
func (a Answer) Binding() (Limit, bool) {
	if a.Binds == "" {
		return Limit{}, false
	}
	return a.Limits[0], true
}

// settle works out the dates of an answer from its kind and its limits. One that is not dated yet keeps its limits, and
// the use-by among them, but has no date; ends is its EndsBy if it knows no limit at all.
func settle(a Answer, dated bool, zone *time.Location, ends time.Time) Answer {
	ordered := inOrder(a.Limits, zone)
	a.Date, a.UseBy, a.DiscardBy, a.EndsBy, a.Binds = nil, nil, nil, ends, ""
	if a.WaterActivity == nil {
		a.WaterActivity = &WaterActivity{Basis: BasisNone}
	}
	a.Method, a.Tables = cmp.Or(a.Method, Method), cmp.Or(a.Tables, Tables)
	if first, found := earliest(ordered, func(Limit) bool { return true }); found {
		a.EndsBy = ordered[first].end
		if dated {
			a.Date, a.Binds = ordered[first].Date, ordered[first].Name
			ordered = toFront(ordered, first)
		}
	}
	if first, found := earliest(ordered, func(l Limit) bool { return l.isUseBy(a.Kind) }); found {
		end := ordered[first].end
		a.UseBy, a.DiscardBy = ordered[first].Date, &end
	}
	a.Limits = make([]Limit, 0, len(ordered))
	for _, l := range ordered {
		a.Limits = append(a.Limits, l.Limit)
	}
	return a
}
