package expiry

import (
	"fmt"
	"slices"
	"time"

	"firstout/internal/civil"
)

// A Filling is one batch as it was made: what went in, what was measured, and what is on record about its formula.
type Filling struct {
	MadeAt          time.Time
	Zone            *time.Location // of the site where it was made
	Storage         string         // the class that the formula is kept in: cool, chilled, frozen, or dry, which counts as cool
	Inputs          []Input
	HeatStep        HeatStep  // as it was done
	WaterActivity   *Measured // on this batch
	PH              *float64  // on this batch
	FormulaMeasured *FormulaMeasured
	WithinTolerance bool // the batch kept to the formula: what was measured on the formula may serve it
	Assessment      *Assessment
	ShopLimitDays   map[string]int // by storage class
}

// DateFilling dates a batch of a filling. Without an assessment that holds for it the batch has no date yet, nor has one
// with rework that has none; but its limits are listed, and a use-by among them is kept.
func DateFilling(f Filling) Answer {
	found := f.findings()
	judged := f.Assessment.judge(found, f.Storage)
	released, warning := f.Assessment.releases(f.HeatStep, judged)
	a := Answer{WaterActivity: &found.waterActivity, PH: found.ph, Status: judged.status, Instead: judged.instead}
	for _, in := range f.Inputs {
		a.Limits = append(a.Limits, in.limitsWithin(released, f.MadeAt, f.Zone)...)
	}
	undated := f.undatedRework()
	if a.Status == StatusAssessed && len(undated) > 0 {
		a.Status = StatusAssessmentNeeded
	}
	dated := a.Status == StatusAssessed
	a.Limits = append(a.Limits, f.ownLimits(dated)...)
	a.Kind = f.kind(found, dated)
	a.Cautions = together(cautionsOf(a.Kind, dated), found.cautions, judged.cautions, warning, undated)
	return settle(a, dated, f.Zone, f.MadeAt)
}

// undatedRework names, each in a caution, the earlier ganaches in the batch that have no date yet.
func (f Filling) undatedRework() []string {
	var undated []string
	for _, in := range f.Inputs {
		if in.Rework != nil && in.Rework.Binds == "" {
			undated = append(undated, fmt.Sprintf("%s, which is in it, has no date yet.", in.Code))
		}
	}
	slices.Sort(undated)
	return undated
}

// ownLimits gives the limits that run from the making.
func (f Filling) ownLimits(assessed bool) []Limit {
	var limits []Limit
	madeOn := civil.DayOf(f.MadeAt, f.Zone)
	if days, stated := f.ShopLimitDays[class(f.Storage)]; stated {
		limits = append(limits, until(civil.AddCivil(f.MadeAt, days, f.Zone), madeOn, f.Zone, Limit{
			Name: LimitShop, Source: fmt.Sprintf("the shop's own limit: %d days %s", days, class(f.Storage)), Basis: basisShop,
		}))
	}
	if assessed {
		days := f.Assessment.Days[class(f.Storage)]
		limits = append(limits, until(civil.AddCivil(f.MadeAt, days, f.Zone), madeOn, f.Zone, Limit{
			Name: LimitAssessment, Source: f.Assessment.Document, Basis: basisAssessment,
		}))
	}
	return limits
}

// kind is a use-by unless an assessment says otherwise or water activity and pH are known to stop Listeria growing.
// Rework makes it a use-by if the rework had one.
func (f Filling) kind(found findings, dated bool) string {
	for _, in := range f.Inputs {
		if in.Rework != nil && in.Rework.Kind == KindUseBy {
			return KindUseBy
		}
	}
	switch {
	case !dated:
		return KindUseBy
	case f.Assessment.DateKind != "":
		return f.Assessment.DateKind
	case stopsListeria(found.waterActivity.Decision, found.ph):
		return KindBestBefore
	default:
		return KindUseBy
	}
}

// stopsListeria tells whether a food cannot support the growth of Listeria monocytogenes by its water activity and pH:
// Regulation (EC) 2073/2005, Annex I chapter 1, footnote to criterion 1.3. An unknown value stops nothing.
func stopsListeria(waterActivity, ph *float64) bool {
	atMost := func(value *float64, most float64) bool { return value != nil && *value <= most }
	return atMost(ph, 4.4) || atMost(waterActivity, 0.92) || (atMost(ph, 5.0) && atMost(waterActivity, 0.94))
}

// class gives the storage class whose days count: dry goods stand as cool ones do.
func class(storage string) string {
	if storage == "dry" {
		return "cool"
	}
	return storage
}
