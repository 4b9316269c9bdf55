package expiry_test

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"firstout/internal/expiry"
)

// inWater is a solution of one solute, in percent by mass.
func inWater(t *testing.T, name string, percent float64) expiry.Solution {
	t.Helper()
	s := expiry.Solution{WaterG: 100 - percent}
	switch name {
	case "nacl":
		s.NaClG = percent
	case "corn_syrup": // the table's is a syrup of DE 42
		s.Solutes = []expiry.Dissolved{{Solute: expiry.SyrupSolids(42), G: percent}}
	default:
		solute, err := expiry.SoluteNamed(name)
		require.NoError(t, err)
		s.Solutes = []expiry.Dissolved{{Solute: solute, G: percent}}
	}
	return s
}

func activityRange(waterActivity float64) string {
	switch {
	case waterActivity >= 0.95:
		return "0.95-1"
	case waterActivity >= 0.85:
		return "0.85-0.95"
	case waterActivity >= 0.70:
		return "0.70-0.85"
	default:
		return "below 0.70"
	}
}

// Every solution in print is met within the error that was found for the method in that solute, set and range; where the
// range is the one that the method is used in, and it is not the coarse sorption table, that is 0.006 at most.
func TestWaterActivityOfSolutionsInPrint(t *testing.T) {
	t.Parallel()
	const digits = 0.0001 // in which the tables are printed
	largest := map[[3]string]float64{}
	for _, row := range rows(t, "solution_errors.csv") {
		largest[[3]string{row["solute"], row["set"], row["aw_range"]}] = *value(t, strings.TrimPrefix(row["largest_error"], "+"))
	}
	checked := 0
	for _, row := range rows(t, "solutions.csv") {
		want := *value(t, row["aw"])
		got := inWater(t, row["solute"], *value(t, row["mass_pct"])).WaterActivity()
		most, stated := largest[[3]string{row["solute"], row["set"], activityRange(want)}]
		require.True(t, stated, "%v", row)
		require.InDelta(t, want, got, max(most, -most)+digits, "%s %s %% (%s)", row["solute"], row["mass_pct"], row["source"])
		if want >= 0.75 && row["set"] != "sorption table" {
			require.InDelta(t, want, got, 0.006, "%s %s %%", row["solute"], row["mass_pct"])
		}
		checked++
	}
	require.Equal(t, 183, checked)
}

// Saturated solutions are standards for water activity. Of the salts the method knows common salt alone; sucrose it lets
// dissolve up to 2 g in 1 g of water.
func TestSaturatedSolutions(t *testing.T) {
	t.Parallel()
	found := 0
	for _, row := range rows(t, "saturated_salts.csv") {
		want := *value(t, row["aw"])
		switch row["salt"] {
		case "NaCl": // 6.146 mol/kg dissolve at 25 °C, from memory
			require.InDelta(t, want, expiry.SaltFactor(6.146*58.443, 1000), 0.001, row["source"])
		case "sucrose (saturated)":
			syrup := expiry.Mix(parts(t, map[string]float64{"sugar": 900, "water": 100}), 0).WaterActivity()
			require.InDelta(t, want, syrup.WithEthanol, 0.006, row["source"])
			continue
		default:
			_, err := expiry.SoluteNamed(row["salt"])
			require.ErrorContains(t, err, "measure the water activity")
			continue
		}
		found++
	}
	require.Equal(t, 1, found)
}

// What was measured in print on food whose composition is known. The tolerance for real food is 0.03 (common practice, no
// source); where the estimate is further off it is on the safe side.
func TestMeasuredFood(t *testing.T) {
	t.Parallel()
	measured := map[string]string{}
	for _, row := range rows(t, "measured_fillings.csv") {
		measured[row["item"]] = row["measured_aw"]
	}
	estimate := func(recipe map[string]float64) expiry.Estimated {
		return expiry.Mix(parts(t, recipe), 0).WaterActivity()
	}

	require.InDelta(t, *value(t, measured["cow milk"]), estimate(map[string]float64{"milk_whole": 100}).WithEthanol, 0.001)
	// 66.9 Brix: as much sucrose in 100 g
	syrup := estimate(map[string]float64{"sugar": 67.0, "water": 33.0})
	require.Equal(t, "0.87-0.88", measured["maple syrup at legal density"])
	require.InDelta(t, 0.875, syrup.WithEthanol, 0.03)
	condensed := estimate(map[string]float64{"sweetened_condensed_milk": 100})
	require.Greater(t, condensed.WithEthanol, *value(t, measured["sweetened condensed milk"]), "the safe side")
	require.InDelta(t, 0.83, condensed.WithEthanol, 0.03, "the usual textbook figure, from memory")
	honey := estimate(map[string]float64{"honey": 100})
	require.Equal(t, "0.470-0.563", measured["flower honeys of Turkey, 706 samples"])
	require.Greater(t, honey.WithEthanol, 0.470, "the safe side")
	require.Equal(t, []string{expiry.RefusedLowActivity}, honey.Grounds, "so dry that it must be measured")
	// a ganache of cream and couverture alone is above 0.90: common practice
	require.Greater(t, estimate(map[string]float64{"cream_35": 200, "couverture_dark_60": 200}).WithEthanol, 0.90)
}
