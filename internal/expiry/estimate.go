package expiry

import "firstout/internal/civil"

// An Estimate is what a filling would keep if it were made so, and what that rests on. Nothing is recorded by asking.
type Estimate struct {
	Answer           Answer
	Composition      map[string]float64 // g per 100 g; nil where that of a part is unknown
	MassG            float64            // less the water lost
	WaterG           float64
	EthanolShare     float64  // of water and ethanol by mass, 0 to 1
	Unknown          []string // the parts of which no composition is known
	Grounds          []string // why no water activity is estimated; empty if one is
	Table            string   // of the US Food Code that it is read in, and what that says; empty where the
	Outcome          string   // water activity is neither estimated nor measured
	ListeriaCategory string   // by Regulation (EC) 2073/2005: about sampling
}

// EstimateFilling works out what a filling would keep before anything is made: the same arithmetic as DateFilling, from
// the same facts. What is asked in "what if" is another Filling: other parts, another storage, a laboratory's value. One
// that is to be kept frozen is taken as put into the freezer sealed when it is made.
func EstimateFilling(f Filling) Estimate {
	mixture := Mix(f.Parts, f.EvaporatedG)
	worked := mixture.WaterActivity()
	e := Estimate{
		Answer: DateFilling(f), Composition: mixture.Per100G(), MassG: mixture.MassG(), WaterG: mixture.WaterG(),
		EthanolShare: worked.EthanolShare, Unknown: mixture.Unknown, Grounds: worked.Grounds,
	}
	if caps := f.caps(f.findings()); caps != nil {
		e.Table, e.Outcome = caps.Table, caps.Outcome
	}
	e.ListeriaCategory = ListeriaCategory(e.Answer.WaterActivity.Decision, e.Answer.PH, e.shelfLife(f), false)
	if class(f.keptIn()) == "frozen" {
		e.Answer = DateFrozen(e.Answer, Freezing{At: f.MadeAt, Sealed: true, Zone: f.Zone})
	}
	return e
}

// shelfLife is the days from the making to the date; nil while there is no date.
func (e Estimate) shelfLife(f Filling) *float64 {
	if e.Answer.Binds == "" {
		return nil
	}
	days := e.Answer.EndsBy.Sub(f.MadeAt).Hours() / 24
	return &days
}

// GainFromLab gives the days by which a filling's date would be later if a laboratory found just the water activity that
// is estimated, with the least uncertainty that counts; and the answer that it would have then. It is 0 for a filling
// whose date does not rest on an estimate.
func GainFromLab(f Filling) (days int, then Answer) {
	now := DateFilling(f)
	if now.WaterActivity.Basis != BasisEstimated || now.Binds == "" {
		return 0, now
	}
	f.WaterActivity = &Measured{Value: *now.WaterActivity.WithoutEthanol}
	then = DateFilling(f)
	return lastDay(then, f).Sub(lastDay(now, f)), then
}

// lastDay is an answer's date; of a filling without a whole day, the day before it is made.
func lastDay(a Answer, f Filling) civil.Day {
	if a.Date != nil {
		return *a.Date
	}
	return civil.DayOf(f.MadeAt, f.Zone).AddDays(-1)
}
