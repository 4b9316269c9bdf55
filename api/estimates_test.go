package api

import (
	"encoding/json"
	"net/http"
	"os"
	"testing"

	"github.com/stretchr/testify/require"
)

// The worked recipes of testdata/expiry/worked_examples.json, each with its source there, asked over HTTP: the same
// figures to a ten-thousandth.
func TestEstimatesOfWorkedRecipes(t *testing.T) {
	t.Parallel()
	text, err := os.ReadFile("../testdata/expiry/worked_examples.json")
	require.NoError(t, err)
	var file struct {
		Cases []struct {
			ID, Kind, Source string
			Input            obj
			Expected         struct {
				Aw                float64
				AwWithoutEthanol  float64 `json:"aw_without_ethanol"`
				WaterG            float64 `json:"water_g"`
				MassG             float64 `json:"mass_g"`
				EthanolPercentage float64 `json:"ethanol_pct_of_water_phase"`
			}
		}
	}
	require.NoError(t, json.Unmarshal(text, &file))
	b := newTestBook(t)
	asked := 0
	for _, w := range file.Cases {
		if w.Kind != "aw_recipe" {
			continue
		}
		asked++
		a := b.estimate(w.Input)
		wa := "water_activity"
		require.InDelta(t, w.Expected.Aw, a.number(wa, "estimated"), 1e-4, w.ID)
		require.InDelta(t, w.Expected.AwWithoutEthanol, a.number(wa, "without_ethanol"), 1e-4, w.ID)
		require.InDelta(t, min(1, w.Expected.AwWithoutEthanol+0.02), a.number(wa, "decision"), 1e-4, w.ID)
		require.InDelta(t, w.Expected.WaterG, a.number("water_g"), 0.001, w.ID)
		require.InDelta(t, w.Expected.MassG, a.number("mass_g"), 0.001, w.ID)
		require.InDelta(t, w.Expected.EthanolPercentage, 100*a.number("ethanol_share"), 0.01, w.ID)
		require.Contains(t, a.at("cautions"), "Estimated, not validated", w.ID)
	}
	require.Equal(t, 7, asked)
}

// estimate asks as the counter, without a key, and wants an answer.
func (b *testBook) estimate(body obj) answer {
	b.t.Helper()
	a := b.as(roleCounter).post(b.t, "/v1/expiry/estimates", text(b.t, body), headerIdempotencyKey, "")
	require.Equal(b.t, http.StatusOK, a.Status, "%s", a.Body)
	return a
}

func (a answer) number(path ...any) float64 {
	a.t.Helper()
	written, is := a.at(path...).(json.Number)
	require.True(a.t, is, "%v in %s", path, a.Body)
	value, err := written.Float64()
	require.NoError(a.t, err)
	return value
}

// More of what binds water lengthens a life, and never less; the order of the lines is nothing.
func TestEstimateWhatIf(t *testing.T) {
	t.Parallel()
	b := newTestBook(t)
	recipe := func(sorbitol float64) obj {
		return obj{"ph": 5.4, "recipe": obj{"water": 70, "couverture_dark_60": 300, "invert_sugar_syrup": 60, "sorbitol_powder": sorbitol}}
	}
	before := b.estimate(recipe(0.001)).number("water_activity", "decision")
	for _, g := range []float64{5, 10, 20, 40} {
		after := b.estimate(recipe(g)).number("water_activity", "decision")
		require.Less(t, after, before)
		before = after
	}
}

// Sites that keep different time have different days: whose days are asked for has to be said. A key that is bound to a
// site has said it.
func TestEstimateAtSitesOfDifferentTime(t *testing.T) {
	t.Parallel()
	b := newTestBook(t)
	ask := obj{"recipe": obj{"cream_35": 200, "couverture_dark_60": 250}, "storage": "chilled", "made_at": "2026-11-25T23:30:00Z"}
	b.put("sites/quay-lane", obj{"name": "Quay Lane", "time_zone": "Europe/Dublin", "currency": "EUR"})
	b.put("sites/second-quay", obj{"name": "Second quay", "time_zone": "Europe/Dublin", "currency": "EUR"})
	require.Equal(t, "quay-lane", b.estimate(ask).text("site"), "the same time: either will do")

	b.put("sites/island", obj{"name": "Island", "time_zone": "Asia/Tokyo", "currency": "JPY"})
	refused := b.owner.post(t, "/v1/expiry/estimates", text(t, ask), headerIdempotencyKey, "").problem(http.StatusUnprocessableEntity, "invalid-request")
	require.Equal(t, "/site", refused["errors"].([]any)[0].(map[string]any)["pointer"])
	ask["site"] = "island"
	there := b.estimate(ask)
	ask["site"] = "quay-lane"
	require.NotEqual(t, there.text("date"), b.estimate(ask).text("date"), "it is the next morning there")
	delete(ask, "site")
	bound := b.bound("island", roleCounter).post(t, "/v1/expiry/estimates", text(t, ask), headerIdempotencyKey, "")
	require.Equal(t, "island", bound.text("site"))
	require.Equal(t, there.text("date"), bound.text("date"))
}

// What can be asked at the edge of the arithmetic is answered or refused, and never a fault.
func TestEstimateAtItsBounds(t *testing.T) {
	t.Parallel()
	b := newTestBook(t)
	for _, c := range []struct {
		name   string
		body   obj
		status int
		points string
	}{
		{"the most of one", obj{"recipe": obj{"cream_35": 1_000_000_000}}, http.StatusOK, ""},
		{"more than the most", obj{"recipe": obj{"cream_35": 1_000_000_000, "water": 0.001}}, http.StatusUnprocessableEntity, ""},
		{"a speck", obj{"recipe": obj{"cream_35": 0.001}}, http.StatusOK, ""},
		{"all water lost", obj{"recipe": obj{"water": 10}, "evaporated_g": 10}, http.StatusUnprocessableEntity, "/evaporated_g"},
		{"dry", obj{"recipe": obj{"cocoa_butter": 10}}, http.StatusOK, ""},
		{"pure spirit", obj{"recipe": obj{"spirit_40abv": 10}}, http.StatusOK, ""},
		{"measured as water", obj{"recipe": obj{"cream_35": 10}, "water_activity": obj{"value": 1, "uncertainty": 0.2}, "ph": 14}, http.StatusOK, ""},
		{"measured as dry", obj{"recipe": obj{"cream_35": 10}, "water_activity": obj{"value": 0}, "ph": 0, "storage": "frozen"}, http.StatusOK, ""},
		{"the longest assessment", obj{"recipe": obj{"cream_35": 10}, "made_at": "2036-11-25T07:00:00Z", "assessment": obj{
			"document": "PLAN-1", "by": "Example Food Lab", "on": "2026-11-01", "kind": "study", "days": obj{"cool": 3650},
		}}, http.StatusOK, ""},
		{"too far ahead", obj{"recipe": obj{"cream_35": 10}, "made_at": "9999-12-31T23:59:59Z"}, http.StatusUnprocessableEntity, "/made_at"},
		{"too long ago", obj{"recipe": obj{"cream_35": 10}, "made_at": "0001-01-01T00:00:00Z"}, http.StatusUnprocessableEntity, "/made_at"},
	} {
		a := b.owner.post(t, "/v1/expiry/estimates", text(t, c.body), headerIdempotencyKey, "")
		require.Equal(t, c.status, a.Status, "%s: %s", c.name, a.Body)
		if c.status == http.StatusUnprocessableEntity {
			off := a.problem(c.status, "invalid-request")["errors"].([]any)[0].(map[string]any)
			require.Equal(t, c.points, off["pointer"], c.name)
		}
	}
}

// Who reads recipes reads compositions; an answer that still holds is not sent again.
func TestReferenceIngredients(t *testing.T) {
	t.Parallel()
	b := newTestBook(t)
	a := b.as(roleMaker).get(t, "/v1/reference/ingredients")
	require.Equal(t, http.StatusOK, a.Status)
	require.Len(t, a.at("ingredients"), 40)
	for _, row := range a.at("ingredients").([]any) {
		require.NotEmpty(t, row.(map[string]any)["source"])
		require.Contains(t, []any{"published", "common practice", "from memory"}, row.(map[string]any)["basis"])
	}
	again := b.as(roleMaker).get(t, "/v1/reference/ingredients", "If-None-Match", a.Header.Get("ETag"))
	require.Equal(t, http.StatusNotModified, again.Status)
	b.as(roleCounter).get(t, "/v1/reference/ingredients").problem(http.StatusForbidden, "forbidden")
	b.as(roleTill).post(t, "/v1/expiry/estimates", `{"recipe":{"water":1}}`, headerIdempotencyKey, "").problem(http.StatusForbidden, "forbidden")
}

// The list of what waits for a laboratory goes by pages like any other, and its answer holds for the day.
func TestFormulasThatWaitForALaboratory(t *testing.T) {
	t.Parallel()
	b := newTestBook(t)
	b.put("sites/quay-lane", obj{"name": "Quay Lane", "time_zone": "Europe/Dublin", "currency": "EUR"})
	for slug, like := range map[string]string{"couverture": "couverture_dark_60", "invert": "invert_sugar_syrup", "sorbitol": "sorbitol_solution_70", "water": "water"} {
		body := obj{"name": slug, "kind": "other", "allergens": []string{}, "like": like}
		if slug == "couverture" {
			body["kind"], body["chocolate"] = "couverture", "dark"
		}
		require.Equal(t, http.StatusCreated, b.put("ingredients/"+slug, body).Status)
	}
	inputs := []obj{{"ingredient": "water", "quantity_g": 70}, {"ingredient": "couverture", "quantity_g": 300}, {"ingredient": "invert", "quantity_g": 60}, {"ingredient": "sorbitol", "quantity_g": 20}}
	for _, slug := range []string{"one", "three", "two"} {
		b.put("formulas/"+slug, obj{"name": slug, "storage": "cool", "inputs": inputs})
	}
	b.put("formulas/short", obj{"name": "Kept short by the shop", "storage": "cool", "inputs": inputs, "shop_limit_days": obj{"cool": 2}})

	first := b.owner.get(t, "/v1/formulas?waiting=lab&limit=2")
	require.Len(t, first.at("formulas"), 2)
	first.has(map[string]any{"formulas.0.slug": "one", "formulas.1.slug": "three", "formulas.0.gain_days": n("6")})
	rest := b.owner.get(t, "/v1/formulas?waiting=lab&limit=2&cursor="+first.text("next_cursor"))
	require.Len(t, rest.at("formulas"), 1)
	rest.has(map[string]any{"formulas.0.slug": "two", "next_cursor": nil})
	b.owner.get(t, "/v1/formulas?limit=2&cursor="+first.text("next_cursor")).problem(http.StatusBadRequest, "invalid-request")

	b.at("2026-11-25T20:00:00Z")
	later := b.owner.get(t, "/v1/formulas?waiting=lab&limit=2")
	require.JSONEq(t, string(first.Body), string(later.Body))
}
