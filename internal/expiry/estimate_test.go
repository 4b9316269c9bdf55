package expiry_test

import (
	"fmt"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"firstout/internal/expiry"
)

// saltedCaramelCove is a filling of the invented shop that was neither measured nor assessed: its water activity comes to
// 0.8139, as in the worked example W06, and it keeps by the tables.
func saltedCaramelCove(changes ...func(*expiry.Filling)) expiry.Filling {
	recipe, err := expiry.ReferenceParts(map[string]float64{
		"cream_35": 100, "couverture_dark_60": 250, "invert_sugar_syrup": 40, "sorbitol_solution_70": 40, "glycerol": 10,
		"glucose_syrup_de60": 30, "butter_82": 40,
	})
	if err != nil {
		panic(err)
	}
	f := expiry.Filling{
		MadeAt: made, Zone: dublin, Storage: "cool", Parts: recipe, PH: pointer(5.4), HeatStep: expiry.HeatStep{Boiled: true},
		Inputs: []expiry.Input{
			{Code: "L261120-02-B", Kind: "couverture", Mark: expiry.Mark{Kind: "best_before", Date: day("2027-05-31")}},
		},
	}
	for _, change := range changes {
		change(&f)
	}
	return f
}

// wet makes it a plain cream ganache, as in the worked example W01: water activity 0.9274.
func wet(f *expiry.Filling) {
	parts, err := expiry.ReferenceParts(map[string]float64{"cream_35": 200, "couverture_dark_60": 250, "invert_sugar_syrup": 30, "butter_82": 30})
	if err != nil {
		panic(err)
	}
	f.Parts, f.PH = parts, pointer(5.6)
}

func assessedFor(days map[string]int, most float64) func(*expiry.Filling) {
	return func(f *expiry.Filling) {
		f.Assessment = &expiry.Assessment{Document: "LAB-0417", WaterActivityMax: &most, Days: days}
	}
}

// Which limit dates a filling whose composition is known, and with what status. The days are those of the shipped table
// (common practice, from memory); the outcomes those of the US Food Code 2022, 1-201.10, table B.
func TestWhatDatesAnEstimatedFilling(t *testing.T) {
	t.Parallel()
	chilled := func(f *expiry.Filling) { f.Storage = "chilled" }
	for _, c := range []struct {
		name    string
		changes []func(*expiry.Filling)
		status  string
		binds   string
		date    string // empty: no whole day
		kind    string
	}{
		{"by its band", nil, "safe_by_table", "water_activity_cap", "2026-12-08", "best_before"},
		{"chilled", []func(*expiry.Filling){chilled}, "safe_by_table", "water_activity_cap", "2026-12-22", "best_before"},
		{"the shop's limit shortens", []func(*expiry.Filling){func(f *expiry.Filling) { f.ShopLimitDays = map[string]int{"cool": 10} }}, "safe_by_table", "shop_limit", "2026-12-04", "best_before"},
		{"wet, in the cool: four hours", []func(*expiry.Filling){wet}, "assessment_needed", "food_safety_cap", "", "use_by"},
		{"wet, chilled: by the table of safety", []func(*expiry.Filling){wet, chilled}, "assessment_needed", "food_safety_cap", "2026-11-28", "use_by"},
		{"wet and sour: the table asks for nothing, but the band has four hours", []func(*expiry.Filling){wet, func(f *expiry.Filling) { f.PH = pointer(4.1) }}, "safe_by_table", "water_activity_cap", "", "best_before"},
		{"assessed: its days", []func(*expiry.Filling){wet, assessedFor(map[string]int{"cool": 12}, 0.95)}, "assessed", "assessment", "2026-12-06", "use_by"},
		{"longer than the caps too", []func(*expiry.Filling){assessedFor(map[string]int{"cool": 60}, 0.95)}, "assessed", "assessment", "2027-01-23", "best_before"},
		{"outside the assessment: the caps return", []func(*expiry.Filling){wet, chilled, assessedFor(map[string]int{"chilled": 12}, 0.94)}, "outside_assessment", "food_safety_cap", "2026-11-28", "use_by"},
		{"a measured value replaces the estimate", []func(*expiry.Filling){wet, chilled, func(f *expiry.Filling) { f.WaterActivity = &expiry.Measured{Value: 0.85} }}, "safe_by_table", "water_activity_cap", "2026-12-15", "best_before"},
		{"packed in the heat of a boil: table A", []func(*expiry.Filling){wet, chilled, func(f *expiry.Filling) { f.PackedHot = true }}, "safe_by_table", "water_activity_cap", "2026-11-28", "use_by"},
		{"packed hot with no heat step on record: table B", []func(*expiry.Filling){wet, chilled, func(f *expiry.Filling) { f.PackedHot, f.HeatStep = true, expiry.HeatStep{} }}, "assessment_needed", "food_safety_cap", "2026-11-28", "use_by"},
		{"kept chilled, then brought into the cool", []func(*expiry.Filling){chilled, func(f *expiry.Filling) {
			f.Path, f.KeptIn = []expiry.Stay{stood(0, 10*24, 4)}, "cool" // 10 of 28 days chilled: 9 of 14 days are left
		}}, "safe_by_table", "water_activity_cap", "2026-12-13", "best_before"},
		{"a warm night: 6 hours at 28 °C", []func(*expiry.Filling){func(f *expiry.Filling) { f.Path = []expiry.Stay{stood(0, 72, 16), stood(72, 6, 28)} }}, "safe_by_table", "water_activity_cap", "2026-12-07", "best_before"},
		{"21 days after thawing at most", []func(*expiry.Filling){chilled, func(f *expiry.Filling) {
			f.Path = []expiry.Stay{stood(0, 24, 4), stood(24, 30*24, -20), stood(31*24, 1, 4)}
		}}, "safe_by_table", "freezer_limit", "2027-01-16", "best_before"},
		{"180 days in the freezer at most", []func(*expiry.Filling){chilled, func(f *expiry.Filling) { f.Path = []expiry.Stay{stood(0, 200*24, -20), stood(200*24, 1, 4)} }}, "safe_by_table", "freezer_limit", "2027-05-24", "best_before"},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			got := expiry.DateFilling(saltedCaramelCove(c.changes...))
			require.Equal(t, c.status, got.Status)
			require.Equal(t, c.binds, got.Binds, "%v", got.Limits)
			require.Equal(t, c.kind, got.Kind)
			if c.date == "" {
				require.False(t, got.HasDate())
				require.Equal(t, made.Add(hours(4)), got.EndsBy.UTC())
				require.Equal(t, "In the cool it keeps 4 hours in all. Chilled, at 5 °C or below, it keeps 4 days.", *got.Instead)
			} else {
				require.NotNil(t, got.Date)
				require.Equal(t, day(c.date), *got.Date)
			}
		})
	}
}

// What an assessment stands in place of stays listed, on its word.
func TestCapsThatAnAssessmentReleases(t *testing.T) {
	t.Parallel()
	got := expiry.DateFilling(saltedCaramelCove(wet, assessedFor(map[string]int{"cool": 12}, 0.95)))
	require.Equal(t, "LAB-0417", limit(t, got, "food_safety_cap", "").ReleasedBy)
	require.Equal(t, "LAB-0417", limit(t, got, "water_activity_cap", "").ReleasedBy)
	outside := expiry.DateFilling(saltedCaramelCove(wet, assessedFor(map[string]int{"cool": 12}, 0.94)))
	require.Empty(t, limit(t, outside, "food_safety_cap", "").ReleasedBy)
	require.Equal(t, "LAB-0417 holds up to water activity 0.94; this batch counts as 0.94736: an assessment that covers it, or a batch within the range is needed. "+
		"In the cool it keeps 4 hours in all. Chilled, at 5 °C or below, it keeps 4 days.", *outside.Instead)
}

func TestCautionsOfAnEstimate(t *testing.T) {
	t.Parallel()
	got := expiry.DateFilling(saltedCaramelCove())
	require.Contains(t, got.Cautions, "Estimated, not validated")
	require.Contains(t, got.Cautions, expiry.CautionLaw)
	require.Equal(t, "estimated", got.WaterActivity.Basis)
	measured := expiry.DateFilling(saltedCaramelCove(func(f *expiry.Filling) { f.WaterActivity = &expiry.Measured{Value: 0.82} }))
	require.NotContains(t, measured.Cautions, "Estimated, not validated")
	require.Equal(t, "measured", measured.WaterActivity.Basis)
	require.Equal(t, 0.825, *measured.WaterActivity.Decision)
	require.InDelta(t, 0.8139, *measured.WaterActivity.Estimated, 1e-4, "the estimate stays beside it")
	unmeasured := expiry.DateFilling(saltedCaramelCove(func(f *expiry.Filling) {
		f.Path = []expiry.Stay{{From: made, To: made.Add(hours(24)), Storage: "cool"}}
	}))
	require.Contains(t, unmeasured.Cautions, expiry.CautionNotMeasured)
	spirit := expiry.EstimateFilling(saltedCaramelCove(func(f *expiry.Filling) {
		f.Parts = parts(t, map[string]float64{"cream_35": 150, "couverture_milk": 300, "spirit_40abv": 25, "sorbitol_powder": 15})
	}))
	require.Contains(t, spirit.Answer.Cautions, expiry.CautionEthanol)
	require.InDelta(t, 0.878047+0.02, *spirit.Answer.WaterActivity.Decision, 1e-5, "worked example W04: spirit gives no days")
	meter := expiry.DateFilling(saltedCaramelCove(func(f *expiry.Filling) {
		f.Parts = parts(t, map[string]float64{"cream_35": 150, "couverture_milk": 300, "spirit_40abv": 25, "sorbitol_powder": 15})
		f.WaterActivity = &expiry.Measured{Value: 0.80}
	}))
	require.Contains(t, meter.Cautions, expiry.CautionEthanolMeter)
	require.Contains(t, meter.Cautions, expiry.CautionFarOff)
	require.NotContains(t, measured.Cautions, expiry.CautionFarOff)
	require.Equal(t, 0.805, *meter.WaterActivity.Decision, "what was measured replaces the estimate all the same")
	invert := expiry.DateFilling(saltedCaramelCove(func(f *expiry.Filling) {
		f.Parts = parts(t, map[string]float64{"invert_sugar_syrup": 60, "water": 10, "cocoa_butter": 30})
	}))
	require.Contains(t, invert.Cautions, expiry.CautionInvert)
}

// Every ground on which there is no estimate, at its bound and just past it. A measured value dates the filling all the same.
func TestRefusedEstimates(t *testing.T) {
	t.Parallel()
	plain := func(grams map[string]float64) []expiry.Part {
		composition, err := expiry.NewComposition(grams)
		require.NoError(t, err)
		return []expiry.Part{{Name: "x", QuantityG: 100, Composition: &composition}}
	}
	for _, c := range []struct {
		name   string
		parts  []expiry.Part
		ground string
		said   string
	}{
		{"8 % water", plain(map[string]float64{"water": 8, "glucose": 2, "other_fat": 90}), "", ""},
		{"less", plain(map[string]float64{"water": 7.99, "glucose": 2.01, "other_fat": 90}), "low water", "No water activity is estimated, because water is 8.0 % of the mass, less than 8 %: have it measured."},
		{"none", plain(map[string]float64{"other_fat": 100}), "low water", "No water activity is estimated, because water is 0.0 % of the mass, less than 8 %: have it measured."},
		{"15 % ethanol", plain(map[string]float64{"water": 85, "ethanol": 15}), "", ""},
		{"more", plain(map[string]float64{"water": 84.9, "ethanol": 15.1}), "high ethanol", "No water activity is estimated, because ethanol is 15.1 % of water and ethanol, more than 15 %: have it measured."},
		{"5 % salt", plain(map[string]float64{"water": 40, "nacl": 2, "sucrose": 58}), "", ""},
		{"more salt", plain(map[string]float64{"water": 40, "nacl": 2.01, "sucrose": 57.99}), "high salt", "No water activity is estimated, because common salt is 5.0 % of the water, more than 5 %: have it measured."},
		{"very dry", plain(map[string]float64{"water": 15, "fructose": 85}), "low aw", ""},
		{"no composition", []expiry.Part{{Name: "L261120-07-X", QuantityG: 10}, {Name: "L261119-01-F", QuantityG: 1}, plain(map[string]float64{"water": 100})[0]}, "unknown composition", "No water activity is estimated, because the composition of L261119-01-F, L261120-07-X is not known: have it measured."},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			f := saltedCaramelCove(func(f *expiry.Filling) { f.Parts = c.parts })
			got := expiry.EstimateFilling(f)
			if c.ground == "" {
				require.Empty(t, got.Grounds)
				require.NotNil(t, got.Answer.WaterActivity.Decision)
				return
			}
			require.Equal(t, []string{c.ground}, got.Grounds)
			require.Nil(t, got.Answer.WaterActivity.Estimated)
			require.Nil(t, got.Answer.WaterActivity.Decision)
			require.Equal(t, "not_estimated", got.Answer.Status)
			require.False(t, got.Answer.HasDate())
			require.Empty(t, got.Answer.Binds)
			require.Contains(t, got.Answer.Cautions, expiry.CautionNoDate)
			if c.said != "" {
				require.Contains(t, got.Answer.Cautions, c.said)
			}
			f.WaterActivity = &expiry.Measured{Value: 0.60}
			measured := expiry.DateFilling(f)
			require.Equal(t, "water_activity_cap", measured.Binds)
			require.Equal(t, "safe_by_table", measured.Status)
		})
	}
}

func TestCompositions(t *testing.T) {
	t.Parallel()
	require.Len(t, expiry.ReferenceIngredients(), 40)
	for _, ingredient := range expiry.ReferenceIngredients() {
		require.NotEmpty(t, ingredient.Source)
		require.Contains(t, []string{"published", "common practice", "from memory"}, ingredient.Basis)
		again, err := expiry.NewComposition(ingredient.Composition.Grams())
		require.NoError(t, err)
		require.Equal(t, ingredient.Composition, again)
	}
	for wanted, wrong := range map[string]map[string]float64{
		"composition.water: -1 is not between 0 and 100":   {"water": -1},
		"composition.water: 101 is not between 0 and 100":  {"water": 101},
		"composition.honey: not a part that is counted":    {"water": 90, "honey": 10},
		"the parts add up to 62.0 g, not to about 100 g":   {"sucrose": 62},
		"composition.syrup_de: give the dextrose":          {"water": 20, "syrup_solids": 80},
		"the parts add up to 110.0 g, not to about 100 g:": {"water": 60, "sucrose": 50},
	} {
		_, err := expiry.NewComposition(wrong)
		require.ErrorContains(t, err, wanted)
	}
	_, err := expiry.ReferenceParts(map[string]float64{"unicorn": 10})
	require.ErrorContains(t, err, "recipe.unicorn: not a reference ingredient")
	_, err = expiry.ReferenceParts(map[string]float64{"water": 0})
	require.ErrorContains(t, err, "recipe.water: 0 is not a quantity")

	require.Nil(t, expiry.WithLabel(nil, nil))
	require.Equal(t, map[string]float64{"water": 55, "lactose": 3, "milk_fat": 40},
		expiry.WithLabel(map[string]float64{"water": 59, "lactose": 3, "milk_fat": 35}, map[string]float64{"water": 55, "milk_fat": 40}), "the lot's own label over its ingredient's")
}

// Rework and a vat's lots count by what they are made of.
func TestPartsMadeOfParts(t *testing.T) {
	t.Parallel()
	recipe := parts(t, map[string]float64{"cream_35": 200, "couverture_dark_60": 250, "invert_sugar_syrup": 30, "butter_82": 30})
	whole := expiry.Mix(recipe, 12)
	again := expiry.Mix([]expiry.Part{{Name: "G261125-01-X", QuantityG: 100, Of: recipe, EvaporatedG: 12}}, 0)
	require.InDelta(t, whole.WaterG()/whole.MassG()*100, again.WaterG(), 1e-6)
	require.InDelta(t, whole.WaterActivity().WithEthanol, again.WaterActivity().WithEthanol, 1e-7, "worked example W07, scaled")
	require.InDelta(t, 0.919089, again.WaterActivity().WithEthanol, 1e-4)

	dark, found := expiry.Reference("couverture_dark_60")
	require.True(t, found)
	darker, found := expiry.Reference("couverture_dark_70")
	require.True(t, found)
	vat := expiry.Part{Name: "C261125-01-Y", QuantityG: 100, Of: []expiry.Part{
		{Name: "L1", QuantityG: 3000, Composition: &dark.Composition},
		{Name: "L2", QuantityG: 1000, Composition: &darker.Composition},
		{Name: "L3", QuantityG: 0}, // a film: it may be there, and adds nothing
	}}
	mixed := expiry.Mix([]expiry.Part{vat}, 0)
	require.Empty(t, mixed.Unknown)
	require.InDelta(t, 0.75*39+0.25*29, mixed.Per100G()["sucrose"], 1e-6)
	require.InDelta(t, 100, mixed.MassG(), 1e-6)
	vat.Of[2].QuantityG = 1
	require.Equal(t, []string{"L3"}, expiry.Mix([]expiry.Part{vat}, 0).Unknown, "what nobody knows is named, however little")
	require.Equal(t, []string{"C261125-01-Y"}, expiry.Mix([]expiry.Part{{Name: "C261125-01-Y", QuantityG: 5, Of: []expiry.Part{}}}, 0).Unknown)
	require.Nil(t, expiry.Mix([]expiry.Part{vat}, 0).Per100G())

	syrups := expiry.Mix(parts(t, map[string]float64{"glucose_syrup_de42": 10, "glucose_syrup_de60": 30}), 0).Per100G()
	require.InDelta(t, 0.25*42+0.75*60, syrups["syrup_de"], 1e-6, "reducing power adds up")
}

func TestLotsWithTheirOwnLabel(t *testing.T) {
	t.Parallel()
	cream := map[string]float64{"water": 59.1, "lactose": 3.2, "milk_salts": 0.5, "milk_fat": 35, "protein": 2.2}
	rich := expiry.LotPart("L261125-01-A", 100, cream, map[string]float64{"water": 54.1, "milk_fat": 40})
	mixture := expiry.Mix([]expiry.Part{rich, expiry.LotPart("L261125-02-B", 100, cream, nil)}, 0)
	require.Empty(t, mixture.Unknown)
	require.InDelta(t, 54.1+59.1, mixture.WaterG(), 1e-6)
	for name, unknown := range map[string]expiry.Part{
		"nothing stated": expiry.LotPart("L3", 10, nil, nil),
		"half stated":    expiry.LotPart("L3", 10, map[string]float64{"sucrose": 40}, nil),
		"too much":       expiry.LotPart("L3", 10, cream, map[string]float64{"sucrose": 40}),
	} {
		require.Equal(t, []string{"L3"}, expiry.Mix([]expiry.Part{rich, unknown}, 0).Unknown, name)
	}
}

// Whether an ingredient's best-before dates what is made of it is the shop's to say: common practice, no source.
func TestBestBeforeThatBindsByTheShopsRule(t *testing.T) {
	t.Parallel()
	marked := func(kind string, binds *bool) expiry.Filling {
		return saltedCaramelCove(func(f *expiry.Filling) {
			f.Inputs = []expiry.Input{{Code: "L1", Kind: kind, Mark: expiry.Mark{Kind: "best_before", Date: day("2026-11-30")}, BestBeforeBinds: binds}}
		})
	}
	for _, c := range []struct {
		kind  string
		binds *bool
		last  string
	}{{"dairy", nil, "2026-11-30"}, {"syrup", nil, "2026-12-08"}, {"dairy", pointer(false), "2026-12-08"}, {"syrup", pointer(true), "2026-11-30"}} {
		require.Equal(t, day(c.last), *expiry.DateFilling(marked(c.kind, c.binds)).Date, "%s %v", c.kind, c.binds)
	}
}

func TestEstimatesBeforeAnythingIsMade(t *testing.T) {
	t.Parallel()
	got := expiry.EstimateFilling(saltedCaramelCove())
	require.Equal(t, expiry.DateFilling(saltedCaramelCove()), got.Answer, "the same answer as of a batch that was made so")
	require.Equal(t, "B", got.Table)
	require.Equal(t, "non-TCS", got.Outcome)
	require.InDelta(t, 510, got.MassG, 1e-6)
	require.InDelta(t, 93.86, got.WaterG, 1e-6)
	require.InDelta(t, 100*93.86/510, got.Composition["water"], 1e-6)

	whatIf := expiry.EstimateFilling(saltedCaramelCove(func(f *expiry.Filling) { f.Storage = "chilled" }))
	require.Equal(t, day("2026-12-22"), *whatIf.Answer.Date)
	frozen := expiry.EstimateFilling(saltedCaramelCove(func(f *expiry.Filling) { f.Storage = "frozen" }))
	require.Equal(t, "freezer_limit", frozen.Answer.Binds)

	// 0.8139 with the least uncertainty is 0.8189, in the same band; a wetter one of 0.8379 would be in another.
	days, _ := expiry.GainFromLab(saltedCaramelCove())
	require.Zero(t, days)
	wetter := saltedCaramelCove(func(f *expiry.Filling) {
		f.Parts = append(f.Parts, parts(t, map[string]float64{"water": 15})...)
	})
	days, then := expiry.GainFromLab(wetter)
	now := expiry.DateFilling(wetter)
	require.Equal(t, "measured", then.WaterActivity.Basis)
	require.Positive(t, days, "%v %v", now.WaterActivity, then.WaterActivity)
	require.Equal(t, then.Date.Sub(*now.Date), days)
	days, _ = expiry.GainFromLab(blackcurrantBay())
	require.Zero(t, days, "measured already")
}

// A plain cream ganache, estimated, kept chilled: what an inspector is read.
func ExampleAnswer_Reasons() {
	chilled := func(f *expiry.Filling) { f.Storage = "chilled" }
	for _, sentence := range expiry.DateFilling(saltedCaramelCove(wet, chilled)).Reasons(dublin) {
		fmt.Println(sentence)
	}
	// Output:
	// Use by 28 November 2026. What binds is a rule of food safety: US Food Code 2022, 1-201.10, table B: water activity 0.94736 with pH 5.6 needs a product assessment; without one, 4 days chilled, through 28 November 2026.
	// Beside it stands the water activity: water activity 0.94736 is above 0.92 and no more than 0.95: 4 days chilled, through 28 November 2026.
	// Beside it stands the best-before date of an ingredient, L261120-02-B: the supplier's best before, through 31 May 2027.
	// Worked out from what was recorded: it shows no food to be safe. Local food law, the competent authority and a qualified food-safety professional decide.
	// After its use-by date it may not be sold, given away or used.
	// Estimated, not validated.
	// A measured water activity may be 0.03 higher or lower than the estimate: near a limit, have it measured.
	// This filling needs a recorded assessment of how long it keeps.
}

func anyRecipe(t *rapid.T) []expiry.Part {
	var made []expiry.Part
	for _, ingredient := range expiry.ReferenceIngredients() {
		if rapid.IntRange(0, 4).Draw(t, "is in it") == 0 {
			made = append(made, expiry.Part{
				Name: ingredient.Name, QuantityG: float64(rapid.IntRange(1, 400).Draw(t, "g")), Composition: &ingredient.Composition,
			})
		}
	}
	return made
}

func TestEstimateProperties(t *testing.T) {
	t.Parallel()
	water, found := expiry.Reference("water")
	require.True(t, found)
	estimated := 0
	rapid.Check(t, func(t *rapid.T) {
		f := anyFilling(t)
		f.Parts = anyRecipe(t)
		f.PackedHot = rapid.Bool().Draw(t, "packed hot")
		for _, s := range anyPath(t) {
			shift := f.MadeAt.Sub(made)
			s.From, s.To = s.From.Add(shift), s.To.Add(shift)
			f.Path = append(f.Path, s)
		}
		f.KeptIn = rapid.SampledFrom([]string{"", "cool", "chilled"}).Draw(t, "kept in")
		got := expiry.DateFilling(f)
		checkAnswer(t, got, f.Zone)
		if got.WaterActivity.Basis == "estimated" {
			estimated++
			require.Contains(t, got.Cautions, "Estimated, not validated")
		}
		for _, l := range got.Limits {
			require.False(t, l.ReleasedBy == "" && l.Date != nil && got.Date != nil && got.Date.After(*l.Date), "never later than %s", l.Name)
		}

		other := f
		other.Parts, other.Inputs, other.Path = shuffled(t, f.Parts), shuffled(t, f.Inputs), shuffled(t, f.Path)
		require.Equal(t, got, expiry.DateFilling(other), "the order of what went in does not matter")

		mixture := expiry.Mix(f.Parts, 0)
		more := expiry.Mix(append(f.Parts, expiry.Part{QuantityG: float64(rapid.IntRange(1, 300).Draw(t, "more water")), Composition: &water.Composition}), 0)
		before, after := mixture.WaterActivity(), more.WaterActivity()
		if mixture.WaterG() > 0 {
			require.GreaterOrEqual(t, after.WithoutEthanol, before.WithoutEthanol-1e-9, "more water never lowers water activity")
			require.GreaterOrEqual(t, after.WithEthanol, before.WithEthanol-1e-9)
			require.LessOrEqual(t, after.WithEthanol, 1.0)
		}
		if !before.Refused() { // far below the range of the method spirit would thin out what is dissolved
			require.LessOrEqual(t, before.WithEthanol, before.WithoutEthanol+1e-9, "what is decided by is the value without spirit, and no lower")
		}

		warm := f
		last := f.MadeAt
		for _, s := range f.Path {
			if s.To.After(last) {
				last = s.To
			}
		}
		warm.Path = append([]expiry.Stay{{From: last, To: last.Add(hours(6)), TemperatureC: pointer(27.0)}}, f.Path...)
		warmed := expiry.DateFilling(warm)
		require.False(t, got.Binds != "" && warmed.EndsBy.After(got.EndsBy), "more warm hours never lengthen a life")
	})
	require.Positive(t, estimated)
}

func BenchmarkDateEstimatedFilling(b *testing.B) {
	f := saltedCaramelCove(wet, func(f *expiry.Filling) { f.Storage = "chilled" })
	b.ReportAllocs()
	for b.Loop() {
		expiry.DateFilling(f)
	}
}
