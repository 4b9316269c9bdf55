package expiry_test

import (
	"fmt"
	"math"
	"os"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"firstout/internal/expiry"
)

// handbookGanache is the filling of docs/expiry.md.
func handbookGanache(t *testing.T) expiry.Filling {
	t.Helper()
	return expiry.Filling{
		MadeAt: at("2026-11-25T10:30:00Z"), Zone: dublin, Storage: "chilled", PH: pointer(5.6), HeatStep: expiry.HeatStep{Boiled: true},
		Parts: parts(t, handbookRecipe), EvaporatedG: 12,
		Inputs: []expiry.Input{
			{
				Code: "L261125-01.1-F", Lot: "L261125-01-A", Kind: "dairy", Heated: true,
				Mark: expiry.Mark{Kind: "use_by", Date: day("2026-12-04")}, Opened: &expiry.Opening{On: day("2026-11-25"), LifeDays: 3},
			},
			{Code: "L261120-02-B", Kind: "couverture", Mark: expiry.Mark{Kind: "best_before", Date: day("2027-05-31")}},
		},
	}
}

var handbookRecipe = map[string]float64{"cream_35": 200, "couverture_dark_60": 250, "invert_sugar_syrup": 30, "butter_82": 30}

// What docs/expiry.md works out by hand is what the package works out, number by number.
func TestHandbookByHand(t *testing.T) {
	t.Parallel()
	text, err := os.ReadFile("../../docs/expiry.md")
	require.NoError(t, err)
	page := strings.Join(strings.Fields(string(text)), " ")
	says := func(format string, numbers ...any) {
		t.Helper()
		require.Contains(t, page, fmt.Sprintf(format, numbers...))
	}
	f := handbookGanache(t)

	mixture := expiry.Mix(f.Parts, f.EvaporatedG)
	columns := []string{"water", "sucrose", "glucose", "fructose", "lactose", "organic_acids", "milk_salts"}
	grams := map[string]float64{"water": -f.EvaporatedG}
	for _, part := range f.Parts {
		row := fmt.Sprintf("| %s | %g |", part.Name, part.QuantityG)
		for _, column := range columns {
			g := part.QuantityG * part.Composition.Grams()[column] / 100
			grams[column] += g
			row += fmt.Sprintf(" %.3f |", g)
		}
		says("%s", row)
	}
	row := fmt.Sprintf("| all, less 12 g of water | %.0f |", mixture.MassG())
	for _, column := range columns {
		row += fmt.Sprintf(" %.3f |", grams[column])
		require.InDelta(t, grams[column], mixture.Per100G()[column]*mixture.MassG()/100, 1e-6, column)
	}
	says("%s", row)
	says("here %.3f g and %.3f g", 2.00*grams["water"], 0.18*grams["water"])
	says("Water is %.1f %% of the mass", 100*mixture.WaterG()/mixture.MassG())

	molesWater := grams["water"] / 18.015
	all := molesWater
	for _, column := range columns[1:] {
		all += grams[column] / soluteNamed(t, column).MolarMass
	}
	says("%.3f g / 18.015 g/mol = %.6f mol. All moles together: %.6f. So x_w = %.6f.", grams["water"], molesWater, all, molesWater/all)
	sum := 0.0
	for _, column := range columns[1:] {
		s := soluteNamed(t, column)
		x := grams[column] / s.MolarMass / all
		sum += math.Sqrt(s.K) * x
		says("| %s | %.3f | %g | %.6f | %.6f | %g | %.6f |", column, grams[column], s.MolarMass, x*all, x, s.K, math.Sqrt(s.K)*x)
	}
	says("adds up to %.6f; its square is %.6f; exp(−%.6f) = %.6f.", sum, sum*sum, sum*sum, math.Exp(-sum*sum))
	waterActivity := molesWater / all * math.Exp(-sum*sum)
	says("aw = %.6f × %.6f = **%.6f**", molesWater/all, math.Exp(-sum*sum), waterActivity)
	require.InDelta(t, waterActivity, mixture.WaterActivity().WithoutEthanol, 1e-8)
	says("the value to decide by is **%.6f**", mixture.WaterActivity().Decision())
}

func soluteNamed(t *testing.T, name string) expiry.Solute {
	t.Helper()
	s, err := expiry.SoluteNamed(name)
	require.NoError(t, err)
	return s
}

// The dates that the page comes to, and the limits that it lists.
func TestHandbookDates(t *testing.T) {
	t.Parallel()
	text, err := os.ReadFile("../../docs/expiry.md")
	require.NoError(t, err)
	page := string(text)
	f := handbookGanache(t)

	asMade := expiry.EstimateFilling(f)
	require.Equal(t, []string{"B", "PA", "use_by", "opened_ingredient"}, []string{asMade.Table, asMade.Outcome, asMade.Answer.Kind, asMade.Answer.Binds})
	require.Contains(t, page, "**use by "+asMade.Answer.Date.String()+"**")
	require.Contains(t, page, "**Estimated, not validated.**")
	require.Contains(t, asMade.Answer.Cautions, "Estimated, not validated")
	require.Len(t, asMade.Answer.Limits, 5)
	for _, l := range asMade.Answer.Limits {
		require.Regexp(t, `\| `+l.Name+` \|[^\n]*\| `+l.Date.String()+` \|`, page)
	}

	warm := f
	warm.Path = []expiry.Stay{stood(0, 24, 4), stood(24, 2, 21)}
	after := expiry.DateFilling(warm)
	require.InDelta(t, 0.75, after.UsedShare, 1e-9)
	require.Equal(t, at("2026-11-27T12:30:00Z"), limit(t, after, "food_safety_cap", "").At.UTC())
	require.Equal(t, "food_safety_cap", after.Binds)
	require.Contains(t, page, "**use by "+after.Date.String()+"**")

	measured := f
	measured.WaterActivity = &expiry.Measured{Value: 0.900, Uncertainty: pointer(0.003)}
	lab := expiry.DateFilling(measured)
	require.Equal(t, 0.905, *lab.WaterActivity.Decision)
	require.Equal(t, day("2026-12-04"), *limit(t, lab, "food_safety_cap", "").Date)
	require.Equal(t, day("2026-11-28"), *lab.Date)
	measured.Inputs[0].Opened = nil
	require.Equal(t, "ingredient_use_by", expiry.DateFilling(measured).Binds)
}

// The shop's own table, and the cooling, as the page has them.
func TestHandbookSchemeAndCooling(t *testing.T) {
	t.Parallel()
	text, err := os.ReadFile("../../docs/expiry.md")
	require.NoError(t, err)
	page := strings.Join(strings.Fields(string(text)), " ")

	f := handbookGanache(t)
	scheme := expiry.DefaultScheme()
	scheme.Version = "life-scheme-1"
	wettest := &scheme.Bands[len(scheme.Bands)-2]
	require.Equal(t, 0.95, wettest.Max)
	wettest.Chilled.Days = 2
	scheme.Bands[len(scheme.Bands)-1].Chilled.Days = 2
	require.NoError(t, scheme.Check())
	f.Scheme = &scheme
	shorter := expiry.DateFilling(f)
	require.Equal(t, []string{"food_safety_cap", "1+life-scheme-1"}, []string{shorter.Binds, shorter.Tables})
	require.Contains(t, page, "**use by "+shorter.Date.String()+"**, `"+shorter.Binds+"` binds, and the answer's `tables` says `"+shorter.Tables+"`")
	wettest.Chilled.Days = 6
	longer := expiry.DateFilling(f)
	require.Equal(t, "opened_ingredient", longer.Binds)
	require.Contains(t, longer.Cautions, expiry.CautionLonger)
	require.Contains(t, page, expiry.CautionLonger)

	read := func(clock string, c float64) expiry.Reading {
		return expiry.Reading{At: at("2026-11-25T" + clock + ":00Z"), TemperatureC: c}
	}
	readings := []expiry.Reading{read("10:45", 58), read("11:45", 30), read("12:40", 20)}
	cooling, _ := expiry.ReadCooling(f.MadeAt, readings)
	require.Contains(t, page, fmt.Sprintf("%.0f minutes to 21 °C, and until %s to be cold", cooling.To21.Minutes(), cooling.DueBy.Format("15:04")))
	late, _ := expiry.ReadCooling(f.MadeAt, append(readings, read("17:00", 6)))
	require.True(t, late.Late)
	require.Contains(t, page, "what was made of it after "+late.LateAt.Format("15:04"))
}
