package workshop

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"firstout/internal/events"
)

// MakeGanache records one batch of a filling: with its inputs as weighed, or picked first-expiring-first-out from
// what stands on the site.
type MakeGanache struct {
	Done
	Formula       string
	Inputs        []DrawLine
	PickFefo      bool
	Scale         float64 // of the formula, when picked
	Vat           string  // when picked: couverture of its kind comes from its charge
	Yield         *events.Mass
	Evaporated    events.Mass // water lost in cooking, by weighing
	HeatStep      *events.HeatStep
	PackedHot     bool
	Cooling       []events.TemperatureReading // at once, where it was watched before it is written down
	PH            *float64
	WaterActivity *events.MeasuredValue
	Place         string
}

// GanacheAnswer is the answer: the batch and the deviations that it opened.
type GanacheAnswer struct {
	Ganache    *Ganache
	OnHand     events.Mass
	Deviations []*Deviation
}

// Needs is the sources.
func (c MakeGanache) Needs() []Need { return needsOfDraws(c.Inputs) }

// Decide draws the inputs, dates the batch and writes it down.
func (c MakeGanache) Decide(d *Desk) (any, *Refusal) {
	var rs refusals
	d.place(c.Place, &rs)
	d.happened(c.Done, &rs)
	formula := d.Set.Defs.Formulas.InForce(c.Formula, d.At)
	if formula == nil {
		rs.unknown("formula", c.Formula)
		return nil, rs.first()
	}
	if d.Set.Defs.Places.Latest(c.Place) == nil {
		return nil, rs.first()
	}
	lines := c.Inputs
	if c.PickFefo {
		lines = c.pick(d, formula.Body, &rs)
	}
	w := d.drawing()
	var total events.Mass
	for _, l := range lines {
		l.How = cmp.Or(l.How, "given")
		l.Heated = heats(formula.Body, d.ingredientOf(l))
		w.plan(l, d.At, &rs)
		total += l.Quantity
	}
	yield, basis := total, "assumed"
	if c.Yield != nil {
		yield, basis = *c.Yield, "weighed"
	}
	if c.Evaporated > total {
		rs.add(RefusedWrongState, Facts{"in_g": total, "evaporated_g": c.Evaporated},
			"%s g of water went out of %s g: more cannot go than went in.", c.Evaporated.Grams(), total.Grams())
	}
	if yield > total {
		rs.add(RefusedWrongState, Facts{"in_g": total, "yield_g": yield},
			"%s g came out of %s g: more cannot come out of the bowl than went in.", yield.Grams(), total.Grams())
	}
	broken, refusal := rs.settle(c.AlreadyDone)
	if refusal != nil {
		return nil, refusal
	}
	if wrong := c.checkCooling(d); wrong != nil {
		return nil, wrong
	}
	d.bookShortDraws(w, d.At)
	return c.write(d, formula, w, yield, basis, broken), nil
}

func (c MakeGanache) write(d *Desk, formula *Version[events.Formula], w *drawing, yield events.Mass, basis string, broken []string) GanacheAnswer {
	off := d.offFormula(formula.Body, w.draws)
	made := events.GanacheMade{
		Formula: c.Formula, FormulaVersion: formula.Number, Yield: yield, YieldBasis: basis, Evaporated: c.Evaporated, HeatStep: c.HeatStep,
		PackedHot: c.PackedHot, Cooling: c.readings(), PH: c.PH, WaterActivity: c.WaterActivity, Place: c.Place, RuleBroken: broken,
	}
	made.Inputs = w.open(d.At)
	made.Ganache = d.newCode(events.KindGanache, d.At, d.site)
	ganache := &Ganache{
		Site: d.site, At: d.At, Evaporated: c.Evaporated, HeatStep: c.HeatStep, PackedHot: c.PackedHot, PH: c.PH, WaterActivity: c.WaterActivity,
		OffFormula: len(off) > 0,
	}
	for _, draw := range made.Inputs {
		ganache.Dated = append(ganache.Dated, d.Set.ganacheInputs(draw, d.At, OpKey{})...)
		ganache.Mix = ganache.Mix.Plus(d.mixOf(draw))
	}
	made.Expiry = d.dateGanache(formula.Body, ganache)
	d.record(d.At, d.site, made)
	for _, o := range off {
		o.Code, o.Concern = made.Ganache, concernQuality
		d.record(d.At, d.site, o)
	}
	d.openBroken(broken, []events.Code{made.Ganache}, []events.Code{made.Ganache})
	d.judgeCooling(made.Ganache)
	answer := GanacheAnswer{Ganache: d.Set.Ganache(made.Ganache), OnHand: yield}
	for _, o := range answer.Ganache.Deviations {
		answer.Deviations = append(answer.Deviations, d.Set.Deviation(o.ID))
	}
	return answer
}

// mixOf is what a draw is made of.
func (d *Desk) mixOf(draw events.Draw) Mix {
	switch {
	case draw.Source == "":
		return Mix{{Ingredient: draw.Ingredient, Mass: draw.Quantity, Direct: true}}
	case draw.Source.Kind() == events.KindCharge:
		return d.Set.mixAt(d.Set.Charge(draw.Source), d.At).Of(draw.Quantity)
	}
	return d.Set.MixOf(draw.Source, draw.Quantity)
}

// heats says whether a formula heats all that goes in of an ingredient: of what is put in hot and cold nobody says which
// lot was which.
func heats(f events.Formula, ingredient string) bool {
	heated := false
	for _, i := range f.Inputs {
		if i.Ingredient == ingredient {
			if !i.Heated {
				return false
			}
			heated = true
		}
	}
	return heated
}

// ingredientOf is the ingredient that a draw counts as. A charge counts as the couverture that most of it is.
func (d *Desk) ingredientOf(l DrawLine) string {
	switch l.Source.Kind() {
	case events.KindLot:
		if lot := d.Set.Lot(l.Source); lot != nil {
			return lot.Ingredient
		}
	case events.KindCharge:
		if charge := d.Set.Charge(l.Source); charge != nil && charge.Mix.Total() > 0 {
			return d.largestIngredient(charge.Mix)
		}
	default: // an earlier ganache counts as none, water as itself
	}
	return l.Ingredient
}

// defaultTolerancePercent is how far a line may be off its scaled formula where the formula does not say.
const defaultTolerancePercent = 5

// ruleOffFormula is the rule of a deviation from the recipe.
const ruleOffFormula = "off_formula"

// offFormula says which lines are further off the scaled formula than its tolerance. The scale is what the
// weighed total makes of the formula's total; a couverture drawn from a vat counts for the formula's couverture
// of the same chocolate. Earlier ganache put back in counts for neither.
func (d *Desk) offFormula(f events.Formula, draws []events.Draw) []events.DeviationOpened {
	var planned, used events.Mass
	actual := map[string]events.Mass{}
	for _, draw := range draws {
		if draw.Source.Kind() != events.KindGanache {
			actual[d.formulaLine(f, draw)] += draw.Quantity
			used += draw.Quantity
		}
	}
	want := map[string]events.Mass{}
	for _, input := range f.Inputs {
		want[input.Ingredient] += input.Quantity
		planned += input.Quantity
	}
	if planned == 0 || used == 0 {
		return nil
	}
	tolerance := float64(defaultTolerancePercent)
	if f.TolerancePercent != nil {
		tolerance = *f.TolerancePercent
	}
	scale := float64(used) / float64(planned)
	var off []events.DeviationOpened
	for _, ingredient := range unionOfKeys(want, actual) {
		expected := float64(want[ingredient]) * scale
		is := float64(actual[ingredient])
		if math.Abs(is-expected) <= expected*tolerance/100+0.5 { // half a milligram: the scale is not exact
			continue
		}
		value := is / 1000
		low, high := expected*(1-tolerance/100)/1000, expected*(1+tolerance/100)/1000
		off = append(off, events.DeviationOpened{
			Rule: ruleOffFormula, Value: &value, Band: &events.Band{Min: rounded(low), Max: rounded(high)},
			Detail: fmt.Sprintf("%s: %g g used, %.0f g to %.0f g by the recipe.", ingredient, value, low, high),
		})
	}
	return off
}

func rounded(x float64) *float64 {
	x = math.Round(x*1000) / 1000
	return &x
}

func unionOfKeys(a, b map[string]events.Mass) []string {
	var keys []string
	for k := range a {
		keys = append(keys, k)
	}
	for k := range b {
		keys = append(keys, k)
	}
	return sortedSet(keys)
}

// formulaLine is the ingredient of the formula's line that a draw counts for.
func (d *Desk) formulaLine(f events.Formula, draw events.Draw) string {
	if draw.Source.Kind() != events.KindCharge {
		return d.ingredientOf(DrawLine{Source: draw.Source, Ingredient: draw.Ingredient})
	}
	charge := d.Set.Charge(draw.Source)
	for _, input := range f.Inputs {
		if def := d.Set.Defs.Ingredients.InForce(input.Ingredient, d.At); def != nil && def.Body.Chocolate == charge.Chocolate {
			return input.Ingredient
		}
	}
	return d.largestIngredient(charge.Mix)
}

// pick chooses lots for the scaled formula: portions before unopened lots, then first expiring; couverture of a
// named vat's kind from its charge.
func (c MakeGanache) pick(d *Desk, f events.Formula, rs *refusals) []DrawLine {
	scale := c.Scale
	if scale == 0 {
		scale = 1
	}
	if c.Vat != "" && d.Set.Defs.Vats.Latest(c.Vat) == nil {
		rs.unknown("vat", c.Vat)
		return nil
	}
	var lines []DrawLine
	taken := map[StockKey]int64{} // by the lines before
	for _, input := range f.Inputs {
		quantity := events.Mass(math.Round(float64(input.Quantity) * scale))
		def := d.Set.Defs.Ingredients.InForce(input.Ingredient, d.At)
		if def == nil {
			rs.unknown("ingredient", input.Ingredient)
			continue
		}
		if def.Body.Untracked {
			lines = append(lines, DrawLine{Ingredient: input.Ingredient, Quantity: quantity})
			continue
		}
		if charge := d.chargeFor(c.Vat, def.Body.Chocolate); charge != "" {
			lines = append(lines, DrawLine{Source: charge, Quantity: quantity, How: "fefo"})
			continue
		}
		lines = append(lines, d.pickLots(input.Ingredient, quantity, taken, rs)...)
	}
	return lines
}

func (d *Desk) chargeFor(vat, chocolate string) events.Code {
	if vat == "" || chocolate == "" {
		return ""
	}
	state := d.Set.Vat(vat)
	if state.Charge == "" || d.Set.Charge(state.Charge).Chocolate != chocolate {
		return ""
	}
	return state.Charge
}

func (d *Desk) pickLots(ingredient string, quantity events.Mass, taken map[StockKey]int64, rs *refusals) []DrawLine {
	lines := d.Set.OpenAt("", ingredient)
	d.Set.wantLater(lines, d.At)
	SortLots(lines, d.Set.Defs)
	picked, missing := Pick(lines, int(quantity), func(l *StockLine) int {
		if d.Set.Defs.SiteOf(l.Place) != d.site || l.Held || l.Dates.PastAt(d.At) {
			return 0
		}
		return int(d.available(l, d.At) - taken[l.StockKey])
	})
	if missing > 0 {
		available := quantity - events.Mass(missing)
		rs.add(RefusedNotEnough, Facts{"wanted": quantity, "available": available, "unit": "g", "ingredient": ingredient},
			"Only %s g of the %s g of %s can be used.", available.Grams(), quantity.Grams(), ingredient)
	}
	var draws []DrawLine
	for _, p := range picked {
		taken[p.Line.StockKey] += int64(p.Amount)
		draws = append(draws, DrawLine{Source: p.Line.Code, Place: p.Line.Place, Quantity: events.Mass(p.Amount), How: "fefo"})
	}
	return draws
}

// SortLots orders lines of one ingredient as a maker should take them: what is opened or thawed first, then first
// expiring; what is in the freezer last, for it has to be thawed first.
func SortLots(lines []*StockLine, defs *Definitions) {
	slices.SortStableFunc(lines, func(a, b *StockLine) int {
		return cmp.Or(
			compareBool(defs.freezes(a.Place), defs.freezes(b.Place)), -compareBool(a.Code.IsPart(), b.Code.IsPart()), FirstExpiring(a, b),
		)
	})
}

func compareBool(a, b bool) int {
	switch {
	case a == b:
		return 0
	case a:
		return 1
	}
	return -1
}
