package expiry_test

import (
	"testing"

	"github.com/stretchr/testify/require"

	"firstout/internal/expiry"
)

func TestDecisionTablesAtTheirBounds(t *testing.T) {
	t.Parallel()
	for _, row := range rows(t, "food_code_bounds.csv") {
		outcome, source := expiry.Decide(row["table"], *value(t, row["water_activity"]), value(t, row["ph"]))
		require.Equal(t, row["outcome"], outcome, "table %s, water activity %s, pH %s (%s)", row["table"], row["water_activity"], row["ph"], row["source"])
		require.Equal(t, "US Food Code 2022, 1-201.10, table "+row["table"], source)
	}
}

func TestLifeBandsAtTheirBounds(t *testing.T) {
	t.Parallel()
	scheme := expiry.DefaultScheme()
	require.NoError(t, scheme.Check())
	for _, row := range rows(t, "life_bands.csv") {
		caps := scheme.Caps(expiry.TableB, *value(t, row["water_activity"]), pointer(4.0)) // no assessment asked for
		require.Equal(t, row["cool"], caps.Cool(false).String(), row["water_activity"])
		require.Equal(t, row["chilled"], caps.Chilled().String(), row["water_activity"])
	}
}

// Seiler 1988: log10 of the mould-free days of cake at 21 °C = 7.91 − 0.081 · 100 aw, valid from 0.74 to 0.90. Moved to
// 18 °C with a Q10 of 3 it holds the days in the cool at each band's upper edge.
func TestLifeInTheCoolIsNoLongerThanCakeKeeps(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		edge, cakeDays float64 // computed from the equation
	}{{0.75, 95.1}, {0.80, 37.4}, {0.85, 14.7}, {0.88, 8.4}, {0.90, 5.8}} {
		for _, band := range expiry.DefaultScheme().Bands {
			if band.Max == c.edge {
				require.LessOrEqual(t, band.Cool.InDays(), c.cakeDays, "%g", c.edge)
			}
		}
	}
}

func TestListeriaCategory(t *testing.T) {
	t.Parallel()
	for _, row := range rows(t, "listeria.csv") {
		want := map[string]string{"best_before": "1.3", "use_by": "1.2"}[row["kind"]]
		require.Equal(t, want, expiry.ListeriaCategory(value(t, row["water_activity"]), value(t, row["ph"]), nil, false), row["source"])
	}
	// A shelf life of less than five days, and another justification: the same footnote, the first from memory.
	require.Equal(t, "1.3", expiry.ListeriaCategory(nil, nil, pointer(4.99), false))
	require.Equal(t, "1.2", expiry.ListeriaCategory(nil, nil, pointer(5.0), false))
	require.Equal(t, "1.3", expiry.ListeriaCategory(nil, nil, nil, true))
}

func TestSchemeOfTheShop(t *testing.T) {
	t.Parallel()
	scheme := func(change func(*expiry.Scheme)) expiry.Scheme {
		s := expiry.DefaultScheme()
		s.Version = "quay-lane-2"
		change(&s)
		return s
	}
	require.NoError(t, scheme(func(s *expiry.Scheme) { s.Bands[5].Cool.Days = 10 }).Check())
	for wanted, wrong := range map[string]expiry.Scheme{
		"version: ":                              scheme(func(s *expiry.Scheme) { s.Version = "" }),
		"bands: give at least one":               scheme(func(s *expiry.Scheme) { s.Bands = nil }),
		"bands.3.water_activity_max: 1.2 is no":  scheme(func(s *expiry.Scheme) { s.Bands[3].Max = 1.2 }),
		"bands.4.water_activity_max: 0.7 is not": scheme(func(s *expiry.Scheme) { s.Bands[4].Max = 0.7 }),
		"bands.2: give days":                     scheme(func(s *expiry.Scheme) { s.Bands[2].Cool = expiry.Keeps{} }),
		"chilled must be no":                     scheme(func(s *expiry.Scheme) { s.Bands[2].Chilled.Days = 100 }),
		"must keep no longer":                    scheme(func(s *expiry.Scheme) { s.Bands[6].Chilled.Days = 29 }),
		"bands: the last band must":              scheme(func(s *expiry.Scheme) { s.Bands = s.Bands[:5] }),
	} {
		require.ErrorContains(t, wrong.Check(), wanted)
	}
	kept := scheme(func(s *expiry.Scheme) { s.Bands[5].Cool.Days = 10 })
	got := expiry.DateFilling(saltedCaramelCove(func(f *expiry.Filling) { f.Scheme = &kept }))
	require.Equal(t, "1+quay-lane-2", got.Tables, "a date can be explained by the table that it was made with")
	require.Equal(t, day("2026-12-04"), *got.Date)
	require.Equal(t, day("2026-12-08"), *expiry.DateFilling(saltedCaramelCove()).Date, "what is shipped stays as it is")
}

func TestPrintedForms(t *testing.T) {
	t.Parallel()
	for _, row := range rows(t, "date_forms.csv") {
		got := expiry.PrintedForm(day(row["made"]), day(row["best_before"]))
		require.Equal(t, expiry.Printed{Form: row["form"], Through: day(row["through"])}, got, "%s to %s: %s", row["made"], row["best_before"], row["source"])
		require.False(t, got.Through.After(day(row["best_before"])), "no form promises more than the date")
	}
}

// Directive 2000/36/EC, Annex I A 7 and 10: at least 25 % of the total weight, decorations counted in the total.
func TestChocolateShare(t *testing.T) {
	t.Parallel()
	share, warning := expiry.ChocolateShare(3, 12)
	require.Equal(t, 0.25, share)
	require.Empty(t, warning)
	share, warning = expiry.ChocolateShare(5.2, 12)
	require.InDelta(t, 0.4333, share, 1e-4)
	require.Empty(t, warning)
	_, warning = expiry.ChocolateShare(2.99, 12)
	require.Equal(t, "Chocolate is 24.9 % of the weight, less than the 25 % that a filled chocolate or a praline must have (Directive 2000/36/EC).", warning)
}

// US Food Code 3-501.14, from memory: 57 to 21 °C in 2 h, to 5 °C in 6 h in all.
func TestCooling(t *testing.T) {
	t.Parallel()
	read := func(minutes int, c float64) expiry.Reading {
		return expiry.Reading{At: made.Add(hours(float64(minutes) / 60)), TemperatureC: c}
	}
	for _, c := range []struct {
		name     string
		readings []expiry.Reading
		now      float64 // hours after the heating
		late     string
	}{
		{"just in time", []expiry.Reading{read(120, 21), read(360, 5)}, 6, ""},
		{"in any order", []expiry.Reading{read(360, 5), read(120, 21)}, 7, ""},
		{"a minute late at 21 °C", []expiry.Reading{read(121, 21), read(300, 5)}, 6, "It took more than 2 hours from 57 to 21 °C: decide about it before it is used."},
		{"a minute late at 5 °C", []expiry.Reading{read(90, 20), read(361, 5)}, 7, "It took more than 6 hours from 57 to 5 °C: decide about it before it is used."},
		{"not quite", []expiry.Reading{read(120, 21.1)}, 2.1, "It took more than 2 hours from 57 to 21 °C: decide about it before it is used."},
		{"nobody looked", nil, 2.1, "It took more than 2 hours from 57 to 21 °C: decide about it before it is used."},
		{"still time", []expiry.Reading{read(60, 40)}, 1.9, ""},
		{"still hot after half an hour: the clock starts there", []expiry.Reading{read(30, 60), read(150, 21), read(380, 5)}, 7, ""},
		{"straight to the cold", []expiry.Reading{read(100, 4)}, 2, ""},
	} {
		got := expiry.CheckCooling(made, c.readings, made.Add(hours(c.now)))
		require.Equal(t, c.late, got.Reason, c.name)
		require.Equal(t, c.late != "", got.Late, c.name)
	}
	cooled := expiry.CheckCooling(made, []expiry.Reading{read(90, 15), read(200, 4)}, made.Add(hours(5)))
	require.Equal(t, hours(1.5), *cooled.To21)
	require.Equal(t, hours(200.0/60), *cooled.To5)
}
