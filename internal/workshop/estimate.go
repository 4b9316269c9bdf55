package workshop

import (
	"fmt"
	"maps"
	"math"
	"slices"
	"strings"
	"time"

	"firstout/internal/civil"
	"firstout/internal/events"
	"firstout/internal/expiry"
)

// A Plan is a filling before it is made: what would go in, and how it would be treated. It has exactly one of Inputs,
// Recipe and Formula. What a formula says holds where the plan says nothing else; so a plan answers "what if" too.
type Plan struct {
	Inputs        []events.FormulaInput
	Recipe        map[string]events.Mass // by the name of a reference ingredient
	Formula       string
	Scale         float64     // of the formula; 0: as it stands
	Evaporated    events.Mass // water lost in cooking
	PH            *float64
	WaterActivity *events.MeasuredValue
	HeatStep      *events.HeatStep
	PackedHot     bool
	Storage       string // the class that it would be kept in; empty: as the formula is, else cool
	MadeAt        time.Time
	Site          string // whose calendar counts; empty: the first by name, if the days of all are the same
	Assessment    *events.Assessment
}

// An Estimate is what a planned filling would keep, and what that rests on. Nothing of it is recorded.
type Estimate struct {
	Plan           Plan // with what was left out put in
	FormulaVersion int  // 0 without a formula
	Expiry         events.Expiry
	Reasons        []string // the same in sentences
	Of             expiry.Estimate
}

// cautionPlan stands beside what was worked out before there were lots.
const cautionPlan = "Worked out for ingredients that come in and are opened on the day of the making: the dates of the lots that are used may end it sooner."

// mostPlanned is how much a plan may come to: far more than a workshop makes, and far less than the arithmetic holds.
const mostPlanned = 1_000_000_000 * events.Gram

// Estimate works a plan out, by the definitions in force when it would be made.
func (p Plan) Estimate(defs *Definitions) (Estimate, *Refusal) {
	filling, formula, refusal := p.filling(defs)
	if refusal != nil {
		return Estimate{}, refusal
	}
	e := Estimate{Plan: p, Of: expiry.EstimateFilling(filling)}
	e.Plan.Site, e.Plan.Storage = p.calendar(defs), filling.KeptIn
	if formula != nil {
		e.FormulaVersion = formula.Number
	}
	e.Of.Answer.Cautions = append(slices.Clone(e.Of.Answer.Cautions), cautionPlan)
	e.Expiry, e.Reasons = recordedExpiry(e.Of.Answer), e.Of.Answer.Reasons(filling.Zone)
	return e, nil
}

// FormulaWarnings says what speaks against a recipe, were it made at noon of today: that it has not a whole day in the class
// that it is kept in, with the class that has one, or that nothing dates it yet. They forbid nothing.
func FormulaWarnings(defs *Definitions, f events.Formula, now time.Time, site string) []string {
	p := Plan{Site: site}
	p.Site = p.calendar(defs)
	zone := defs.Zone(p.Site)
	p.MadeAt = civil.DayOf(now, zone).StartIn(zone).Add(12 * time.Hour)
	filling := p.fillingOf(defs, f)
	e := expiry.EstimateFilling(filling)
	var warnings []string
	if e.Answer.Instead != nil {
		warnings = append(warnings, *e.Answer.Instead)
		if e.Answer.WaterActivity.Basis == expiry.BasisEstimated {
			warnings[0] += " " + expiry.CautionEstimated + "."
		}
	}
	if e.Answer.Status == expiry.StatusNotEstimated && e.Answer.Binds == "" {
		why := strings.Join(e.Grounds, ", ")
		if len(e.Unknown) > 0 {
			why = "the composition of " + strings.Join(e.Unknown, ", ") + " is not known"
		}
		warnings = append(warnings, fmt.Sprintf("A batch of it will have no date: its water activity cannot be estimated (%s), and is not measured.", why))
	}
	return warnings
}

// A LabGain is what a laboratory's water activity would do for the date of a formula.
type LabGain struct {
	Formula   string
	Version   int
	Days      int // later, at least 1
	Now, Then events.Expiry
}

// WaitingForLab gives the formulas whose date, were they made at noon of today, would be later if a laboratory found just
// the water activity that is estimated: by slug, after one, at most so many. One whose water activity is measured, cannot
// be estimated or is not what binds is not among them.
func WaitingForLab(defs *Definitions, now time.Time, site, after string, most int) []LabGain {
	if site == "" {
		site = Plan{}.calendar(defs)
	}
	zone := defs.Zone(site)
	noon := civil.DayOf(now, zone).StartIn(zone).Add(12 * time.Hour)
	var waiting []LabGain
	for _, slug := range slices.Sorted(maps.Keys(defs.Formulas)) {
		if slug <= after || len(waiting) == most {
			continue
		}
		gain := gainFromLab(defs, Plan{Formula: slug, MadeAt: noon, Site: site})
		if gain.Days > 0 {
			waiting = append(waiting, gain)
		}
	}
	return waiting
}

func gainFromLab(defs *Definitions, p Plan) LabGain {
	filling, formula, refusal := p.filling(defs)
	if refusal != nil {
		return LabGain{}
	}
	days, then := expiry.GainFromLab(filling)
	now := expiry.DateFilling(filling)
	now.Cautions = append(slices.Clone(now.Cautions), cautionPlan)
	then.Cautions = append(slices.Clone(then.Cautions), expiry.CautionEstimated, cautionPlan) // nothing is measured yet
	return LabGain{
		Formula: p.Formula, Version: formula.Number, Days: days, Now: recordedExpiry(now), Then: recordedExpiry(then),
	}
}

// filling is the plan as expiry takes it, and the version of the formula that it rests on, nil without one.
func (p Plan) filling(defs *Definitions) (expiry.Filling, *Version[events.Formula], *Refusal) {
	formula, refusal := p.known(defs)
	if refusal != nil {
		return expiry.Filling{}, nil, refusal
	}
	var f events.Formula
	if formula != nil {
		f = formula.Body
	}
	filling := p.fillingOf(defs, p.over(f))
	if refusal := p.impossible(filling.Parts); refusal != nil {
		return expiry.Filling{}, nil, refusal
	}
	return filling, formula, nil
}

// fillingOf is a recipe, with what the plan says beside it, as expiry takes it.
func (p Plan) fillingOf(defs *Definitions, f events.Formula) expiry.Filling {
	filling := expiry.Filling{
		MadeAt: p.MadeAt, Zone: defs.Zone(p.calendar(defs)), Storage: f.Storage, KeptIn: f.Storage, EvaporatedG: grams(p.Evaporated),
		HeatStep: heatStep(f.HeatStep), PackedHot: p.PackedHot, PH: p.PH, FormulaMeasured: formulaMeasured(f.Measured),
		WithinTolerance: true, Assessment: assessmentOf(f.Assessment), ShopLimitDays: f.ShopLimitDays, Scheme: defs.Scheme(p.MadeAt),
	}
	if p.Storage != "" {
		filling.KeptIn = p.Storage
	}
	if w := p.WaterActivity; w != nil {
		filling.WaterActivity = &expiry.Measured{Value: w.Value, Uncertainty: w.Uncertainty}
	}
	filling.Parts = p.parts(defs, f)
	filling.Inputs = p.dated(defs, f, filling.Zone)
	return filling
}

// known gives the formula, and refuses whatever the plan names that nobody knows.
func (p Plan) known(defs *Definitions) (*Version[events.Formula], *Refusal) {
	var rs refusals
	if p.Site != "" && defs.Sites.Latest(p.Site) == nil {
		rs.unknown("site", p.Site)
	}
	var formula *Version[events.Formula]
	if p.Formula != "" {
		if formula = defs.Formulas.InForce(p.Formula, p.MadeAt); formula == nil {
			rs.unknown("formula", p.Formula)
		}
	}
	for _, line := range p.Inputs {
		if defs.Ingredients.Latest(line.Ingredient) == nil {
			rs.unknown("ingredient", line.Ingredient)
		}
	}
	for _, name := range slices.Sorted(maps.Keys(p.Recipe)) {
		if unknown := checkLike(name); unknown != nil {
			rs = append(rs, unknown)
		}
	}
	if first := rs.first(); first != nil {
		return nil, first
	}
	if p.Site == "" && !defs.oneCalendar() {
		return nil, invalid("/site", "The sites of this book keep different time: name the one whose days count.")
	}
	return formula, nil
}

// over is a formula with what the plan says in place of it; of no formula, what the plan says.
func (p Plan) over(f events.Formula) events.Formula {
	if p.Formula == "" {
		f = events.Formula{Inputs: p.Inputs, Storage: "cool"}
		if p.Storage != "" {
			f.Storage = p.Storage
		}
	}
	if p.HeatStep != nil {
		f.HeatStep = p.HeatStep
	}
	if p.Assessment != nil {
		f.Assessment = p.Assessment
	}
	if p.Scale != 0 {
		f.Inputs = slices.Clone(f.Inputs)
		for i := range f.Inputs {
			f.Inputs[i].Quantity = events.Mass(math.Round(float64(f.Inputs[i].Quantity) * p.Scale))
		}
	}
	return f
}

// parts is what goes in, by mass.
func (p Plan) parts(defs *Definitions, f events.Formula) []expiry.Part {
	var parts []expiry.Part
	for _, line := range f.Inputs {
		ingredient := defs.Ingredients.InForce(line.Ingredient, p.MadeAt).Body
		parts = append(parts, expiry.LotPart(line.Ingredient, grams(line.Quantity), compositionOf(ingredient), nil))
	}
	for _, name := range slices.Sorted(maps.Keys(p.Recipe)) {
		parts = append(parts, expiry.LotPart(name, grams(p.Recipe[name]), reference(name), nil))
	}
	return parts
}

// dated is what goes in with the dates that it has at best: each ingredient received and opened on the day of the making.
func (p Plan) dated(defs *Definitions, f events.Formula, zone *time.Location) []expiry.Input {
	var inputs []expiry.Input
	seen := map[string]bool{}
	today := civil.DayOf(p.MadeAt, zone)
	for _, line := range f.Inputs {
		ingredient := defs.Ingredients.InForce(line.Ingredient, p.MadeAt).Body
		if seen[line.Ingredient] || ingredient.Untracked {
			continue
		}
		seen[line.Ingredient] = true
		in := expiry.Input{
			Code: line.Ingredient, Kind: ingredient.Kind, Mark: markOf(events.DateMark{}, ingredient, today), Heated: heats(f, line.Ingredient),
		}
		if scheme := defs.Scheme(p.MadeAt); scheme != nil {
			in.BestBeforeBinds = scheme.Binds(ingredient.Kind)
		}
		if life := ingredient.OpenLifeDays; life != nil {
			in.Opened = &expiry.Opening{On: today, LifeDays: *life}
		}
		inputs = append(inputs, in)
	}
	return inputs
}

// impossible refuses what nobody could make: nothing, more than there can be, or with more water lost than went in.
func (p Plan) impossible(parts []expiry.Part) *Refusal {
	total := 0.0
	for _, part := range parts {
		total += part.QuantityG
	}
	if total == 0 || total > grams(mostPlanned) {
		return invalid("", "It comes to %g g: plan for more than none and no more than %s g, the date is the same.", total, mostPlanned.Grams())
	}
	mixture := expiry.Mix(parts, 0)
	switch evaporated := grams(p.Evaporated); {
	case evaporated >= total:
		return invalid("/evaporated_g", "%g g went in: all of it cannot be lost as water.", total)
	case evaporated > mixture.WaterG() && len(mixture.Unknown) == 0:
		return invalid("/evaporated_g", "There are %.1f g of water in it: no more can be lost.", mixture.WaterG())
	}
	return nil
}

// calendar is the site whose days count.
func (p Plan) calendar(defs *Definitions) string {
	if p.Site != "" || len(defs.Sites) == 0 {
		return p.Site
	}
	return slices.Min(slices.Collect(maps.Keys(defs.Sites)))
}

// oneCalendar tells whether the same day is the same at every site.
func (d *Definitions) oneCalendar() bool {
	zones := map[string]bool{}
	for slug := range d.Sites {
		zones[d.Zone(slug).String()] = true
	}
	return len(zones) <= 1
}

// formulaMeasured is what was found on a formula as expiry takes it.
func formulaMeasured(m *events.FormulaMeasured) *expiry.FormulaMeasured {
	if m == nil {
		return nil
	}
	return &expiry.FormulaMeasured{
		WaterActivity: m.WaterActivity, Uncertainty: m.Uncertainty, PH: m.PH, Document: m.Document, On: m.On, ValidUntil: m.ValidUntil,
	}
}

// assessmentOf is an assessment as expiry takes it.
func assessmentOf(as *events.Assessment) *expiry.Assessment {
	if as == nil {
		return nil
	}
	assessment := &expiry.Assessment{
		Document: as.Document, DateKind: as.DateKind, WaterActivityMax: as.WaterActivityMax, PHMax: as.PHMax, Days: as.Days, Releases: as.Releases,
	}
	if as.Requires != nil {
		required := heatStep(as.Requires)
		assessment.Requires = &required
	}
	return assessment
}
