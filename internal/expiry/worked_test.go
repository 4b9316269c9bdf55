package expiry_test

import (
	"encoding/json"
	"os"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"firstout/internal/civil"
	"firstout/internal/expiry"
)

// A worked example of testdata/expiry/worked_examples.json. What it expects is in Expected, by name, each with its
// tolerance; a name without one is expected exactly.
type workedExample struct {
	ID        string
	Kind      string
	Source    string
	Input     json.RawMessage
	Expected  map[string]any
	Tolerance map[string]float64
}

// found compares what was found under a name with what is expected under it.
func (w workedExample) found(t *testing.T, name string, got any) {
	t.Helper()
	want, expected := w.Expected[name]
	require.True(t, expected, name)
	if tolerance, stated := w.Tolerance[name]; stated {
		// the project's own bound for water activity is tighter than the table's
		require.InDelta(t, want, got, min(tolerance, 1e-4), name)
		return
	}
	require.EqualValues(t, want, got, name)
}

func TestWorkedExamples(t *testing.T) {
	t.Parallel()
	text, err := os.ReadFile("../../testdata/expiry/worked_examples.json")
	require.NoError(t, err)
	var file struct{ Cases []workedExample }
	require.NoError(t, json.Unmarshal(text, &file))
	require.Len(t, file.Cases, 21)
	kinds := map[string]func(*testing.T, workedExample){
		"aw_recipe": workedRecipe, "domain": workedRefusal, "aw_solution": workedSolution, "aw_decision": workedDecision,
		"caps": workedCaps, "mkt": workedMeanKineticTemperature, "life": workedLife, "annex_x": workedForm, "end_to_end": workedFilling,
	}
	for _, w := range file.Cases {
		t.Run(w.ID+" "+w.Kind, func(t *testing.T) {
			t.Parallel()
			require.NotEmpty(t, w.Source)
			require.Contains(t, kinds, w.Kind)
			kinds[w.Kind](t, w)
		})
	}
}

func input[T any](t *testing.T, w workedExample) T {
	t.Helper()
	var in T
	require.NoError(t, json.Unmarshal(w.Input, &in))
	return in
}

type recipeInput struct {
	Recipe      map[string]float64
	EvaporatedG float64 `json:"evaporated_g"`
}

func parts(t require.TestingT, recipe map[string]float64) []expiry.Part {
	made, err := expiry.ReferenceParts(recipe)
	require.NoError(t, err)
	return made
}

func workedRecipe(t *testing.T, w workedExample) {
	in := input[recipeInput](t, w)
	mixture := expiry.Mix(parts(t, in.Recipe), in.EvaporatedG)
	estimated := mixture.WaterActivity()
	w.found(t, "aw", estimated.WithEthanol)
	w.found(t, "aw_without_ethanol", estimated.WithoutEthanol)
	w.found(t, "water_g", mixture.WaterG())
	w.found(t, "mass_g", mixture.MassG())
	w.found(t, "ethanol_pct_of_water_phase", 100*estimated.EthanolShare)
	require.False(t, estimated.Refused())
}

func workedRefusal(t *testing.T, w workedExample) {
	var flags []any
	for _, ground := range expiry.Mix(parts(t, input[recipeInput](t, w).Recipe), 0).WaterActivity().Grounds {
		flags = append(flags, ground)
	}
	w.found(t, "flags", flags)
}

func workedSolution(t *testing.T, w workedExample) {
	in := input[struct {
		WaterG  float64            `json:"water_g"`
		Solutes map[string]float64 `json:"solutes"`
		Syrups  [][2]float64       `json:"syrups"` // grams of solids, dextrose equivalent
		NaClG   float64            `json:"nacl_g"`
	}](t, w)
	solution := expiry.Solution{WaterG: in.WaterG, NaClG: in.NaClG}
	for name, grams := range in.Solutes {
		solute, err := expiry.SoluteNamed(name)
		require.NoError(t, err)
		solution.Solutes = append(solution.Solutes, expiry.Dissolved{Solute: solute, G: grams})
	}
	for _, syrup := range in.Syrups {
		solution.Solutes = append(solution.Solutes, expiry.Dissolved{Solute: expiry.SyrupSolids(syrup[1]), G: syrup[0]})
	}
	w.found(t, "aw", solution.WaterActivity())
}

func workedDecision(t *testing.T, w workedExample) {
	in := input[struct {
		Predicted float64 `json:"predicted_without_ethanol"`
		Measured  *float64
	}](t, w)
	got := expiry.DecisionValue(in.Predicted)
	if in.Measured != nil {
		f := changed(func(f *expiry.Filling) {
			f.Parts = parts(t, map[string]float64{"cream_35": 150, "couverture_white": 300})
			f.WaterActivity = &expiry.Measured{Value: *in.Measured}
		})
		got = *expiry.DateFilling(f).WaterActivity.Decision
	}
	w.found(t, "aw_decision", got)
}

func workedCaps(t *testing.T, w workedExample) {
	in := input[struct {
		Aw, PH   float64
		Assessed bool
	}](t, w)
	caps := expiry.DefaultScheme().Caps(expiry.TableB, in.Aw, &in.PH)
	w.found(t, "cool_days", caps.Cool(in.Assessed).InDays())
	w.found(t, "chilled_days", caps.Chilled().InDays())
	w.found(t, "status", caps.Outcome)
}

func workedMeanKineticTemperature(t *testing.T, w workedExample) {
	in := input[struct {
		TempsC []float64 `json:"temps_c"`
	}](t, w)
	var spells []expiry.Spell
	for _, c := range in.TempsC {
		spells = append(spells, expiry.Spell{From: made, To: made.Add(time.Hour), TemperatureC: c})
	}
	w.found(t, "mkt_c", expiry.MeanKineticTemperature(spells))
}

func workedLife(t *testing.T, w workedExample) {
	in := input[struct {
		History     [][2]float64 // hours, °C
		Planned     string       `json:"planned_class"`
		CoolDays    float64      `json:"cool_days"`
		ChilledDays float64      `json:"chilled_days"`
	}](t, w)
	life := expiry.Life{Cool: hours(24 * in.CoolDays), Chilled: hours(24 * in.ChilledDays)}
	var path []expiry.Stay
	now := made
	for _, stood := range in.History {
		path = append(path, expiry.Stay{From: now, To: now.Add(hours(stood[0])), TemperatureC: &stood[1]})
		now = now.Add(hours(stood[0]))
	}
	used, ends := life.Spent(made, path, in.Planned)
	w.found(t, "used_fraction", used)
	w.found(t, "remaining_days", ends.Sub(now).Hours()/24)
}

func workedForm(t *testing.T, w workedExample) {
	in := input[struct {
		Made       civil.Day
		BestBefore civil.Day `json:"best_before"`
	}](t, w)
	w.found(t, "form", expiry.PrintedForm(in.Made, in.BestBefore).Form)
}

func workedFilling(t *testing.T, w workedExample) {
	in := input[struct {
		recipeInput
		PH        *float64
		Planned   string      `json:"planned_class"`
		MadeAt    string      `json:"made_at_local"`
		Limits    [][2]string // a day and what it is
		Validated *int        `json:"validated_days"` // a limit of the shop's own: it only shortens
	}](t, w)
	f := expiry.Filling{MadeAt: at(in.MadeAt + "Z"), Zone: time.UTC, Storage: in.Planned, PH: in.PH, Parts: parts(t, in.Recipe)}
	for _, l := range in.Limits {
		kind := map[string]string{"ingredient use-by": expiry.MarkUseBy, "ingredient best-before": expiry.MarkBestBefore}[l[1]]
		f.Inputs = append(f.Inputs, expiry.Input{Code: "L260302-01-A", Kind: "dairy", Mark: expiry.Mark{Kind: kind, Date: day(l[0])}})
	}
	if in.Validated != nil {
		f.ShopLimitDays = map[string]int{in.Planned: *in.Validated}
	}
	got := expiry.EstimateFilling(f)
	w.found(t, "aw", *got.Answer.WaterActivity.WithoutEthanol)
	w.found(t, "aw_decision", *got.Answer.WaterActivity.Decision)
	w.found(t, "status", got.Outcome)
	w.found(t, "date", got.Answer.Date.String())
	w.found(t, "reason", map[string]string{
		expiry.LimitWaterActivityCap: "aw band cap", expiry.LimitFoodSafetyCap: "food safety cap",
	}[got.Answer.Binds])
	w.found(t, "listeria_category", got.ListeriaCategory)
	w.found(t, "date_kind", map[string]string{expiry.KindUseBy: "use by", expiry.KindBestBefore: "best before"}[got.Answer.Kind])
	require.Contains(t, got.Answer.Cautions, "Estimated, not validated")
}

func hours(n float64) time.Duration { return time.Duration(n * float64(time.Hour)) }

// made is when the things of these tests are made.
var made = at("2026-11-25T10:30:00Z")
