package expiry_test

import (
	"testing"

	"github.com/stretchr/testify/require"

	"firstout/internal/civil"
	"firstout/internal/expiry"
)

// The whole answer for the shop's filling. 14 days from half past ten on 25 November end at half past ten on
// 9 December, so the last whole day is the 8th. The boil releases the cream's own dates, and syrup's best before does
// not bind.
func TestFillingDatedByItsAssessment(t *testing.T) {
	t.Parallel()
	got := expiry.DateFilling(blackcurrantBay())
	require.Equal(t, expiry.Answer{
		Kind: "use_by", Date: dayPointer("2026-12-08"), UseBy: dayPointer("2026-12-08"),
		DiscardBy: pointer(at("2026-12-09T00:00:00Z").In(dublin)), EndsBy: at("2026-12-09T00:00:00Z").In(dublin), Binds: "assessment",
		Limits: []expiry.Limit{
			{Name: "assessment", Date: dayPointer("2026-12-08"), At: pointer(at("2026-12-09T10:30:00Z").In(dublin)), Source: "LAB-0417", Basis: "assessment"},
			{
				Name: "opened_ingredient", Date: dayPointer("2026-11-28"), Subject: "L261125-01.1-F",
				Source: "opened 2026-11-25, keeps 3 days", Basis: "open_life", ReleasedBy: "LAB-0417",
			},
			{
				Name: "ingredient_best_before", Date: dayPointer("2026-11-30"), Subject: "L261101-04-C",
				Source: "the supplier's best before", Basis: "date_mark", ReleasedBy: "kind_of_ingredient",
			},
			{
				Name: "ingredient_use_by", Date: dayPointer("2026-12-04"), Subject: "L261125-01-A",
				Source: "the supplier's use by", Basis: "date_mark", ReleasedBy: "LAB-0417",
			},
			{Name: "ingredient_best_before", Date: dayPointer("2027-05-31"), Subject: "L261120-02-B", Source: "the supplier's best before", Basis: "date_mark"},
		},
		WaterActivity: &expiry.WaterActivity{Decision: pointer(0.898), Basis: "measured_on_formula"},
		PH:            pointer(4.7), Status: "assessed", Method: "1", Tables: "1",
		Cautions: []string{expiry.CautionLaw, expiry.CautionUseBy, expiry.CautionMeasured},
	}, got)
	binding, bound := got.Binding()
	require.True(t, bound)
	require.Equal(t, got.Limits[0], binding)
}

func TestWhatDatesAFilling(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		name   string
		change func(*expiry.Filling)
		date   string
		binds  string
		use    string // the use-by, where it is not the date
	}{
		{"kept chilled: the assessment's days of that class", func(f *expiry.Filling) { f.Storage = "chilled" }, "2026-12-15", "assessment", ""},
		{"dry counts as cool", func(f *expiry.Filling) { f.Storage = "dry" }, "2026-12-08", "assessment", ""},
		{"the shop's limit shortens", func(f *expiry.Filling) { f.ShopLimitDays = map[string]int{"cool": 10} }, "2026-12-04", "shop_limit", ""},
		{"and never lengthens", func(f *expiry.Filling) { f.ShopLimitDays = map[string]int{"cool": 60} }, "2026-12-08", "assessment", ""},
		{"nor that of another class", func(f *expiry.Filling) { f.ShopLimitDays = map[string]int{"chilled": 3} }, "2026-12-08", "assessment", ""},
		{"cream not heated: its opened life", func(f *expiry.Filling) { f.Inputs[0].Heated = false }, "2026-11-28", "opened_ingredient", ""},
		{"not boiled as required: the same", func(f *expiry.Filling) { f.HeatStep = expiry.HeatStep{} }, "2026-11-28", "opened_ingredient", ""},
		{"no release of opened life", func(f *expiry.Filling) { f.Assessment.Releases = []string{"ingredient_use_by"} }, "2026-11-28", "opened_ingredient", ""},
		{"no release of the use-by", func(f *expiry.Filling) { f.Assessment.Releases = []string{"opened_ingredient"} }, "2026-12-04", "ingredient_use_by", ""},
		{"nothing else can be released", func(f *expiry.Filling) {
			f.Inputs[1].Heated, f.Inputs[1].Mark.Date = true, day("2026-12-01")
			f.Assessment.Releases = []string{"ingredient_use_by", "opened_ingredient", "ingredient_best_before", "assessment"}
		}, "2026-12-01", "ingredient_best_before", "2026-12-08"},
		{"opened too long ago when it was used", func(f *expiry.Filling) { f.Inputs[0].Opened.On = day("2026-11-21") }, "2026-11-24", "opened_ingredient", ""},
		{"past its use-by when it was used", func(f *expiry.Filling) { f.Inputs[0].Mark.Date, f.Inputs[0].Opened = day("2026-11-24"), nil }, "2026-11-24", "ingredient_use_by", ""},
		{"used on its last day", func(f *expiry.Filling) { f.Inputs[0].Mark.Date, f.Inputs[0].Opened = day("2026-11-25"), nil }, "2026-12-08", "assessment", ""},
		{"used before its last day was over", func(f *expiry.Filling) {
			f.Inputs[0].Mark.Date, f.Inputs[0].Opened = day("2026-11-24"), nil
			f.Inputs[0].UsedAt = at("2026-11-24T23:59:59Z")
		}, "2026-12-08", "assessment", ""},
		{"couverture near its best before", func(f *expiry.Filling) { f.Inputs[1].Mark.Date = day("2026-12-01") }, "2026-12-01", "ingredient_best_before", "2026-12-08"},
		{"but for a trace of it in the vat", func(f *expiry.Filling) { f.Inputs[1].Mark.Date, f.Inputs[1].Trace = day("2026-12-01"), true }, "2026-12-08", "assessment", ""},
		{"a trace's use-by binds", func(f *expiry.Filling) {
			f.Inputs[1].Mark, f.Inputs[1].Trace = expiry.Mark{Kind: "use_by", Date: day("2026-12-01")}, true
		}, "2026-12-01", "ingredient_use_by", ""},
		{"no bounds, nothing measured", func(f *expiry.Filling) {
			f.Assessment.WaterActivityMax, f.Assessment.PHMax, f.FormulaMeasured = nil, nil, nil
		}, "2026-12-08", "assessment", ""},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			got := expiry.DateFilling(changed(c.change))
			require.Equal(t, "assessed", got.Status)
			require.Equal(t, c.binds, got.Binds)
			require.Equal(t, day(c.date), *got.Date)
			if c.use == "" {
				c.use = c.date
			}
			require.Equal(t, day(c.use), *got.UseBy)
			require.Equal(t, got.UseBy.EndIn(dublin), *got.DiscardBy)
			require.Equal(t, got.Date.EndIn(dublin), got.EndsBy)
		})
	}
}

func TestAHeatStepThatWasNotRecordedIsSaid(t *testing.T) {
	t.Parallel()
	heated := func(c, minutes float64) expiry.HeatStep {
		return expiry.HeatStep{TemperatureC: &c, Minutes: &minutes}
	}
	const said = "LAB-0417 releases no ingredient's date here: the heat step that it requires was not recorded."
	for _, c := range []struct {
		name     string
		done     expiry.HeatStep
		required expiry.HeatStep
		released bool
	}{
		{"as required", heated(70, 2), heated(70, 2), true},
		{"hotter and longer", heated(82, 5), heated(70, 2), true},
		{"not hot enough", heated(69.9, 2), heated(70, 2), false},
		{"not long enough", heated(90, 1.9), heated(70, 2), false},
		{"minutes not written down", expiry.HeatStep{TemperatureC: pointer(85.0)}, heated(70, 2), false},
		// 70 °C for 2 minutes in the coldest part, or a full boil: European Commission guidance on Listeria.
		{"a boil counts as 70 °C for 2 minutes", expiry.HeatStep{Boiled: true}, heated(70, 2), true},
		{"but not as more", expiry.HeatStep{Boiled: true}, heated(90, 10), false},
		{"heat is no boil", heated(99, 30), expiry.HeatStep{Boiled: true}, false},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			got := expiry.DateFilling(changed(func(f *expiry.Filling) {
				f.HeatStep, f.Assessment.Requires = c.done, &c.required
			}))
			if c.released {
				require.Equal(t, "assessment", got.Binds)
				require.NotContains(t, got.Cautions, said)
			} else {
				require.Equal(t, "opened_ingredient", got.Binds)
				require.Contains(t, got.Cautions, said)
			}
		})
	}
	got := expiry.DateFilling(changed(func(f *expiry.Filling) { f.Assessment.Requires, f.HeatStep = nil, expiry.HeatStep{} }))
	require.Equal(t, "assessment", got.Binds, "nothing required: what was heated is released")
}

func TestFillingsWithoutADate(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		name    string
		change  func(*expiry.Filling)
		status  string
		instead string
		caution string
	}{
		{
			"no assessment", func(f *expiry.Filling) { f.Assessment = nil },
			"assessment_needed", "", "This filling needs a recorded assessment of how long it keeps.",
		},
		{
			"no assessment, nothing measured", func(f *expiry.Filling) { f.Assessment, f.FormulaMeasured = nil, nil },
			"not_estimated", "", "This filling needs a recorded assessment of how long it keeps.",
		},
		{
			"water activity not measured", func(f *expiry.Filling) { f.FormulaMeasured.WaterActivity = nil },
			"assessment_needed", "", "LAB-0417 holds up to a water activity that was measured neither on this batch nor on its formula: measure it.",
		},
		{
			"pH not measured", func(f *expiry.Filling) { f.FormulaMeasured.PH = nil },
			"assessment_needed", "", "LAB-0417 holds up to a pH that was measured neither on this batch nor on its formula: measure it.",
		},
		{
			"nothing measured", func(f *expiry.Filling) { f.FormulaMeasured = nil },
			"not_estimated", "", "LAB-0417 holds up to a water activity that was measured neither on this batch nor on its formula: measure it.",
		},
		{
			"batch outside the formula's tolerance", func(f *expiry.Filling) { f.WithinTolerance = false },
			"not_estimated", "", "What LAB-0533 measured on the formula does not count: this batch is outside the formula's tolerance.",
		},
		{
			"made after the measurement's last day", func(f *expiry.Filling) { f.FormulaMeasured.ValidUntil = day("2026-11-24") },
			"not_estimated", "", "What LAB-0533 measured on the formula does not count: it is valid from 2026-09-01 through 2026-11-24, and this batch was made on 2026-11-25.",
		},
		{
			"made before the measurement", func(f *expiry.Filling) { f.FormulaMeasured.On = day("2026-11-26") },
			"not_estimated", "", "What LAB-0533 measured on the formula does not count: it is valid from 2026-11-26 through 2027-09-01, and this batch was made on 2026-11-25.",
		},
		{
			"water activity outside", func(f *expiry.Filling) { f.WaterActivity = &expiry.Measured{Value: 0.926} },
			"outside_assessment",
			"LAB-0417 holds up to water activity 0.93; this batch counts as 0.931: an assessment that covers it, or a batch within the range is needed.", "",
		},
		{
			"pH outside", func(f *expiry.Filling) { f.PH = pointer(5.21) },
			"outside_assessment",
			"LAB-0417 holds up to pH 5.2; this batch has 5.21: an assessment that covers it, or a batch within the range is needed.", "",
		},
		{
			"pH outside, water activity unknown", func(f *expiry.Filling) { f.PH, f.FormulaMeasured.WaterActivity = pointer(5.21), nil },
			"outside_assessment",
			"LAB-0417 holds up to pH 5.2; this batch has 5.21: an assessment that covers it, or a batch within the range is needed.", "",
		},
		{
			"no days for the class", func(f *expiry.Filling) { f.Storage = "frozen" },
			"outside_assessment", "LAB-0417 gives no days for frozen storage: an assessment that does is needed.", "",
		},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			got := expiry.DateFilling(changed(c.change))
			require.Equal(t, c.status, got.Status)
			require.False(t, got.HasDate())
			require.Empty(t, got.Binds)
			_, bound := got.Binding()
			require.False(t, bound)
			require.Equal(t, "use_by", got.Kind)
			require.Contains(t, got.Cautions, expiry.CautionLaw)
			require.Contains(t, got.Cautions, expiry.CautionNoDate)
			if c.caution != "" {
				require.Contains(t, got.Cautions, c.caution)
			}
			if c.instead == "" {
				require.Nil(t, got.Instead)
			} else {
				require.Equal(t, c.instead, *got.Instead)
			}
			// Nothing is released, and the cream's own dates still end its use.
			require.Equal(t, day("2026-11-28"), *got.UseBy)
			require.Equal(t, at("2026-11-29T00:00:00Z"), got.DiscardBy.UTC())
			require.Equal(t, at("2026-11-29T00:00:00Z"), got.EndsBy.UTC())
			require.Empty(t, limit(t, got, "ingredient_use_by", "L261125-01-A").ReleasedBy)
		})
	}
}

func TestAFillingOfWhichNothingIsKnown(t *testing.T) {
	t.Parallel()
	got := expiry.DateFilling(expiry.Filling{MadeAt: at("2026-11-25T10:30:00Z"), Zone: dublin, Storage: "cool"})
	require.Equal(t, "not_estimated", got.Status)
	require.Nil(t, got.Date)
	require.Nil(t, got.UseBy)
	require.Nil(t, got.DiscardBy)
	require.Equal(t, at("2026-11-25T10:30:00Z"), got.EndsBy.UTC(), "the making, so that it stands first")
	require.Equal(t, []expiry.Limit{}, got.Limits, "an empty list, not null")
	require.Equal(t, &expiry.WaterActivity{Basis: "none"}, got.WaterActivity)
}

// A batch at the bound is inside the range; what was measured on it goes before what was measured on its formula.
func TestBoundsHoldAtTheirValue(t *testing.T) {
	t.Parallel()
	got := expiry.DateFilling(changed(func(f *expiry.Filling) {
		f.WaterActivity, f.PH = &expiry.Measured{Value: 0.925}, pointer(5.2)
	}))
	require.Equal(t, "assessed", got.Status)
	require.Equal(t, &expiry.WaterActivity{Decision: pointer(0.93), Basis: "measured"}, got.WaterActivity)
	require.Equal(t, 5.2, *got.PH)
	got = expiry.DateFilling(changed(func(f *expiry.Filling) { f.PH = pointer(4.1) }))
	require.Equal(t, "measured_on_formula", got.WaterActivity.Basis, "the formula's serves for what was not measured on the batch")
	require.Equal(t, 4.1, *got.PH)
	got = expiry.DateFilling(changed(func(f *expiry.Filling) {
		f.FormulaMeasured.On, f.FormulaMeasured.ValidUntil = day("2026-11-25"), day("2026-11-25")
	}))
	require.Equal(t, "assessed", got.Status, "valid on its first and on its last day")
}

func TestDecisionWaterActivity(t *testing.T) {
	t.Parallel()
	for _, row := range rows(t, "decision_water_activity.csv") {
		got := expiry.DateFilling(changed(func(f *expiry.Filling) {
			f.WaterActivity = &expiry.Measured{Value: *value(t, row["measured"]), Uncertainty: value(t, row["uncertainty"])}
		}))
		require.Equal(t, *value(t, row["decision"]), *got.WaterActivity.Decision, row["source"])
	}
}

func TestKindByWaterActivityAndPH(t *testing.T) {
	t.Parallel()
	for _, row := range rows(t, "listeria.csv") {
		got := expiry.DateFilling(changed(func(f *expiry.Filling) {
			f.FormulaMeasured = nil
			f.Assessment.DateKind, f.Assessment.WaterActivityMax, f.Assessment.PHMax = "", nil, nil
			f.PH = value(t, row["ph"])
			if decided := value(t, row["water_activity"]); decided != nil {
				f.WaterActivity = &expiry.Measured{Value: *decided - 0.005}
			}
		}))
		require.Equal(t, row["kind"], got.Kind, "aw %s, pH %s: %s", row["water_activity"], row["ph"], row["source"])
		require.Equal(t, day("2026-12-08"), *got.Date)
		if got.Kind == "best_before" {
			require.Nil(t, got.UseBy, "an assessment is a use-by limit only of a use-by")
			require.Nil(t, got.DiscardBy)
			require.Contains(t, got.Cautions, expiry.CautionBestBefore)
		}
	}
}

func TestKindThatAnAssessmentStates(t *testing.T) {
	t.Parallel()
	for _, kind := range []string{"use_by", "best_before"} {
		got := expiry.DateFilling(changed(func(f *expiry.Filling) { f.Assessment.DateKind = kind }))
		require.Equal(t, kind, got.Kind)
	}
	got := expiry.DateFilling(changed(func(f *expiry.Filling) {
		f.Assessment.DateKind = "best_before"
		f.WaterActivity = &expiry.Measured{Value: 0.95}
	}))
	require.Equal(t, "use_by", got.Kind, "of a batch outside its range it states nothing")
}

// A best before that rests on an ingredient's use-by keeps both: the date, and the same as a use-by.
func TestABestBeforeWithAUseByAmongItsLimits(t *testing.T) {
	t.Parallel()
	got := expiry.DateFilling(changed(func(f *expiry.Filling) {
		f.Assessment.DateKind, f.Assessment.Releases = "best_before", []string{"opened_ingredient"}
	}))
	require.Equal(t, "best_before", got.Kind)
	require.Equal(t, day("2026-12-04"), *got.Date)
	require.Equal(t, day("2026-12-04"), *got.UseBy)
}

// When limits end together the reason is named in a fixed order.
func TestTieOrder(t *testing.T) {
	t.Parallel()
	last := day("2026-12-08")
	together := changed(func(f *expiry.Filling) {
		f.ShopLimitDays = map[string]int{"cool": 14}
		f.Inputs = []expiry.Input{
			{Code: "L1", Kind: "couverture", Mark: expiry.Mark{Kind: "best_before", Date: last}},
			{Code: "L2.1", Lot: "L2", Kind: "dairy", Opened: &expiry.Opening{On: day("2026-12-05"), LifeDays: 3}},
			{Code: "L3", Kind: "dairy", Mark: expiry.Mark{Kind: "use_by", Date: last}},
		}
	})
	var names []string
	for _, l := range expiry.DateFilling(together).Limits {
		names = append(names, l.Name)
		require.Equal(t, last, *l.Date)
	}
	require.Equal(t, []string{"ingredient_use_by", "opened_ingredient", "shop_limit", "assessment", "ingredient_best_before"}, names)
}

func TestNoWholeDayLeft(t *testing.T) {
	t.Parallel()
	got := expiry.DateFilling(changed(func(f *expiry.Filling) { f.Assessment.Days = map[string]int{"cool": 0} }))
	require.Equal(t, "assessed", got.Status)
	require.Equal(t, "assessment", got.Binds)
	require.False(t, got.HasDate())
	require.Nil(t, got.UseBy)
	require.Equal(t, at("2026-11-25T10:30:00Z"), got.DiscardBy.UTC())
	require.Equal(t, at("2026-11-25T10:30:00Z"), got.EndsBy.UTC())

	got = expiry.DateFilling(changed(func(f *expiry.Filling) { f.Assessment.Days = map[string]int{"cool": 1} }))
	require.Equal(t, day("2026-11-25"), *got.Date, "a day from half past ten leaves the day itself")
}

func TestReworkPassesItsLimitsOn(t *testing.T) {
	t.Parallel()
	earlier := expiry.DateFilling(changed(func(f *expiry.Filling) { f.MadeAt = f.MadeAt.AddDate(0, 0, -4) }))
	got := expiry.DateFilling(changed(func(f *expiry.Filling) {
		f.Inputs = append(f.Inputs, expiry.Input{Code: "G261121-01-D", Heated: true, Rework: &earlier})
	}))
	require.Equal(t, "assessment", got.Binds)
	require.Equal(t, day("2026-12-04"), *got.Date, "the earlier batch's")
	require.Equal(t, "G261121-01-D", got.Limits[0].Subject)
	require.Equal(t, day("2026-12-08"), *limit(t, got, "assessment", "").Date)

	inBestBefore := func(rework expiry.Answer) expiry.Answer {
		return expiry.DateFilling(changed(func(f *expiry.Filling) {
			f.Assessment.DateKind = "best_before"
			f.Inputs = append(f.Inputs, expiry.Input{Code: "G261121-01-D", Rework: &rework})
		}))
	}
	require.Equal(t, "use_by", inBestBefore(earlier).Kind, "with a use-by in it, it is one")

	undated := expiry.DateFilling(changed(func(f *expiry.Filling) { f.Assessment = nil }))
	got = inBestBefore(undated)
	require.False(t, got.HasDate(), "nor has what is made of it")
	require.Equal(t, "assessment_needed", got.Status)
	require.Contains(t, got.Cautions, "G261121-01-D, which is in it, has no date yet.")
}

func TestDatesOfLotsAndPortions(t *testing.T) {
	t.Parallel()
	received := at("2026-11-25T08:00:00Z")
	for _, row := range rows(t, "date_marks.csv") {
		in := expiry.Input{Code: "L261125-01-A", Kind: "sugar", Mark: expiry.Mark{Kind: row["mark"]}}
		if row["date"] != "" {
			in.Mark.Date = day(row["date"])
		}
		got := expiry.DateLot(in, received, dublin)
		require.Equal(t, row["kind"], got.Kind, row["source"])
		if row["last_day"] == "" {
			require.Nil(t, got.Date)
			require.Equal(t, received, got.EndsBy)
			require.Equal(t, []string{expiry.CautionLaw, expiry.CautionNoMark}, got.Cautions)
			continue
		}
		last := day(row["last_day"])
		require.Equal(t, last, *got.Date, row["source"])
		require.Equal(t, last.AddDays(1).StartIn(dublin), got.EndsBy, "good until its end: %s", row["source"])
		if row["kind"] == "use_by" {
			require.Equal(t, last, *got.UseBy)
		} else {
			require.Nil(t, got.UseBy)
		}
	}
	for _, row := range rows(t, "opened_life.csv") {
		mark := expiry.Mark{Kind: "use_by", Date: day("2030-01-01")}
		opening := &expiry.Opening{On: day(row["opened_on"]), LifeDays: whole(t, row["days"])}
		got := expiry.DateLot(expiry.Input{Code: "L261125-01.1-F", Lot: "L261125-01-A", Mark: mark, Opened: opening}, received, dublin)
		require.Equal(t, "opened_ingredient", got.Binds)
		require.Equal(t, day(row["through"]), *got.Date, "%s: %s", row["ingredient"], row["source"])
		require.Equal(t, "L261125-01-A", limit(t, got, "ingredient_use_by", "L261125-01-A").Subject)

		mark.Date = opening.On
		got = expiry.DateLot(expiry.Input{Code: "L261125-01.1-F", Lot: "L261125-01-A", Mark: mark, Opened: opening}, received, dublin)
		require.Equal(t, "ingredient_use_by", got.Binds, "opening never lengthens a life")
		require.Equal(t, opening.On, *got.Date)
	}
	got := expiry.DateLot(expiry.Input{Code: "L1", Kind: "nut", Mark: expiry.KeepsDays(civil.DayOf(received, dublin), 90)}, received, dublin)
	require.Equal(t, day("2027-02-23"), *got.Date)
	require.Equal(t, "ingredient_best_before", got.Binds)
	require.Equal(t, "the shop's days from receipt", got.Limits[0].Source)
}
