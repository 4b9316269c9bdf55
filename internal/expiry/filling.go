package expiry

import (
	"fmt"
	"slices"
	"time"

	"firstout/internal/civil"
)

// A Filling is one batch as it was made: what went in, what was measured, what is on record about its formula, and
// where it stood since. Without Parts nothing is said of its water activity but what was measured, and an assessment
// alone can date it.
type Filling struct {
	MadeAt          time.Time
	Zone            *time.Location // of the site where it was made
	Storage         string         // the class that the formula is kept in: cool, chilled, frozen, or dry, which counts as cool
	Inputs          []Input        // what its dates may come from
	Parts           []Part         // everything that went in, by mass: what its water activity is estimated from
	EvaporatedG     float64        // water lost in cooking, by weighing; what stuck to the pan is not
	HeatStep        HeatStep       // as it was done
	PackedHot       bool           // it was packed in the heat of that step, and closed
	WaterActivity   *Measured      // on this batch
	PH              *float64       // on this batch
	FormulaMeasured *FormulaMeasured
	WithinTolerance bool // the batch kept to the formula: what was measured on the formula may serve it
	Assessment      *Assessment
	ShopLimitDays   map[string]int // by storage class
	Scheme          *Scheme        // the shop's lives by water activity; nil: DefaultScheme
	// Path is where it stood since its making, and KeptIn the class that it is kept in from the path's end on; empty: as
	// the formula is kept. Its freezer's time is either in the path or left to DateFrozen and DateThawed, never both.
	Path   []Stay
	KeptIn string
}

// DateFilling dates a batch of a filling: by its assessment if there is one that holds for it, else by the decision table
// and the band of its water activity. One of which neither can be said has no date yet, nor has one with rework that has
// none; but its limits are listed, and a use-by among them is kept.
func DateFilling(f Filling) Answer {
	found := f.findings()
	caps := f.caps(found)
	judged := f.judged(found, caps)
	released, warning := f.Assessment.releases(f.HeatStep, judged)
	a := Answer{WaterActivity: &found.waterActivity, PH: found.ph, Status: judged.status, Instead: judged.instead}
	for _, in := range f.Inputs {
		a.Limits = append(a.Limits, in.limitsWithin(released, f.MadeAt, f.Zone)...)
	}
	undated := f.undatedRework()
	if len(undated) > 0 && (a.Status == StatusAssessed || a.Status == StatusSafeByTable) {
		a.Status = StatusAssessmentNeeded
	}
	assessed := a.Status == StatusAssessed
	dated := assessed || (caps != nil && len(undated) == 0)
	own := f.clockLimits(caps, assessed)
	a.Limits, a.UsedShare = append(append(a.Limits, own.limits...), f.shopLimits()...), own.used
	a.Limits = append(a.Limits, freezerLimits(f.MadeAt, f.Path, f.keptIn(), f.Zone)...)
	a.Instead = f.instead(a.Instead, caps, assessed)
	a.Kind = f.kind(found, caps, dated, assessed)
	a.Tables = f.Scheme.tables()
	a.Cautions = together(cautionsOf(a.Kind, dated), found.cautions, judged.cautions, warning, undated, f.storageCautions(),
		f.longerThanShipped(caps, assessed), f.notPackedHot())
	return settle(a, dated, f.Zone, f.MadeAt)
}

// judged is the verdict on a batch. One that no assessment dates is dated by its caps where there are any, and needs no
// assessment if the decision table asks for none; if its water activity is not to be had, it is not estimated.
func (f Filling) judged(found findings, caps *Caps) verdict {
	v := f.Assessment.judge(found, f.Storage)
	if len(f.Parts) == 0 || v.status == StatusAssessed || v.status == StatusOutsideAssessment {
		return v
	}
	switch {
	case caps == nil:
		v.status = StatusNotEstimated
	case caps.Outcome == OutcomePA:
		v.status = StatusAssessmentNeeded
	default:
		v.status = StatusSafeByTable
		if f.Assessment == nil {
			v.cautions = nil
		}
	}
	return v
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

// shopLimits gives the shop's own limit in the class of the formula, and in the one that the filling is kept in.
func (f Filling) shopLimits() []Limit {
	var limits []Limit
	for _, storage := range []string{class(f.Storage), class(f.keptIn())} {
		if days, stated := f.ShopLimitDays[storage]; stated {
			limits = append(limits, until(civil.AddCivil(f.MadeAt, days, f.Zone), civil.DayOf(f.MadeAt, f.Zone), f.Zone, Limit{
				Name: LimitShop, Source: fmt.Sprintf("the shop's own limit: %d days %s", days, storage), Basis: basisShop,
			}))
		}
	}
	return limits
}

// kind is a use-by unless an assessment says otherwise, or water activity and pH are known to stop Listeria growing and
// no assessment is wanting. Rework makes it a use-by if the rework had one.
func (f Filling) kind(found findings, caps *Caps, dated, assessed bool) string {
	for _, in := range f.Inputs {
		if in.Rework != nil && in.Rework.Kind == KindUseBy {
			return KindUseBy
		}
	}
	switch {
	case !dated:
		return KindUseBy
	case assessed && f.Assessment.DateKind != "":
		return f.Assessment.DateKind
	case !assessed && caps.Outcome == OutcomePA:
		return KindUseBy
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
