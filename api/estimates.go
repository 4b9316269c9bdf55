package api

import (
	"cmp"
	"context"
	"encoding/json"
	"net/http"
	"time"

	"firstout/api/openapi"
	"firstout/internal/events"
	"firstout/internal/projections"
	"firstout/internal/workshop"
)

// mostYearsAway is how far from now a filling may be planned: the days of a life are counted in the calendar, which has
// four digits for a year.
const mostYearsAway = 10

// figureDecimals is how finely the figures of an estimate are told: what lies beyond is the binary fractions' own.
const figureDecimals = 6

// estimate is what stands beside the date in the answer to a plan.
type estimate struct {
	MadeAt           time.Time          `json:"made_at"`
	Storage          string             `json:"storage"`
	Site             string             `json:"site,omitempty"`
	Formula          string             `json:"formula,omitempty"`
	FormulaVersion   int                `json:"formula_version,omitempty"`
	Composition      map[string]float64 `json:"composition"`
	MassG            float64            `json:"mass_g"`
	WaterG           float64            `json:"water_g"`
	EthanolShare     float64            `json:"ethanol_share"`
	Unknown          []string           `json:"unknown"`
	Grounds          []string           `json:"grounds"`
	Table            string             `json:"table"`
	Outcome          string             `json:"outcome"`
	ListeriaCategory string             `json:"listeria_category"`
	Reasons          []string           `json:"reasons"`
}

// EstimateExpiry answers what a filling would keep. It is asked as of now, reads the catalogue and records nothing.
func (h *handlers) EstimateExpiry(ctx context.Context, r openapi.EstimateExpiryRequestObject) (openapi.EstimateExpiryResponseObject, error) {
	mark, err := h.state.Mark(ctx)
	if err != nil {
		return nil, err
	}
	plan, now := planOf(*r.Body), mark.moment.now
	plan.MadeAt = now
	if r.Body.MadeAt != nil {
		plan.MadeAt = r.Body.MadeAt.UTC()
	}
	if plan.MadeAt.Before(now.AddDate(-mostYearsAway, 0, 0)) || plan.MadeAt.After(now.AddDate(mostYearsAway, 0, 0)) {
		return nil, impossible(misfit{Pointer: "/made_at", Detail: "expected a time within ten years of now"})
	}
	plan.Site = cmp.Or(plan.Site, actorOf(ctx).Site)
	worked, refusal := plan.Estimate(mark.moment.defs)
	if refusal != nil {
		return nil, refusal
	}
	body, err := joined(expiryOf(worked.Expiry), estimateOf(worked))
	return stored{status: http.StatusOK, body: body}, err
}

func planOf(b openapi.EstimateExpiry) workshop.Plan {
	return workshop.Plan{
		Inputs: b.Inputs, Recipe: b.Recipe, Formula: valueOf(b.Formula), Scale: valueOf(b.Scale), Evaporated: valueOf(b.EvaporatedG),
		PH: b.Ph, WaterActivity: b.WaterActivity, HeatStep: b.HeatStep, PackedHot: valueOf(b.PackedHot),
		Storage: string(valueOf(b.Storage)), Site: valueOf(b.Site), Assessment: b.Assessment,
	}
}

func estimateOf(worked workshop.Estimate) estimate {
	e := worked.Of
	for part, g := range e.Composition {
		e.Composition[part] = roundTo(g, figureDecimals)
	}
	return estimate{
		MadeAt: worked.Plan.MadeAt, Storage: worked.Plan.Storage, Site: worked.Plan.Site, Formula: worked.Plan.Formula,
		FormulaVersion: worked.FormulaVersion, Composition: e.Composition, MassG: roundTo(e.MassG, figureDecimals),
		WaterG: roundTo(max(0, e.WaterG), figureDecimals), EthanolShare: roundTo(e.EthanolShare, figureDecimals),
		Unknown: notNil(e.Unknown), Grounds: notNil(e.Grounds), Table: e.Table, Outcome: e.Outcome,
		ListeriaCategory: e.ListeriaCategory, Reasons: notNil(worked.Reasons),
	}
}

// waitingForLab gives a page of the formulas whose date would be later with a laboratory's value, by slug. They count as
// made at noon today, so that the answer stays the same for a day.
func (h *handlers) waitingForLab(ctx context.Context, limit *int, cursor *string) (stored, error) {
	page, err := pageOf(ctx, limit, cursor)
	if err != nil {
		return stored{}, err
	}
	after := ""
	if err := page.follows(&after); err != nil {
		return stored{}, err
	}
	gains := workshop.WaitingForLab(momentOf(ctx).defs, momentOf(ctx).now, actorOf(ctx).Site, after, page.limit+1)
	rows, next, err := turn(ctx, page, gains, func(g workshop.LabGain) any { return g.Formula })
	if err != nil {
		return stored{}, err
	}
	shown := make([]json.RawMessage, len(rows))
	for i, g := range rows {
		if shown[i], err = h.showGain(ctx, g); err != nil {
			return stored{}, err
		}
	}
	return answered(http.StatusOK, map[string]any{"formulas": shown, "next_cursor": next})
}

// showGain shows a formula with what it would gain.
func (h *handlers) showGain(ctx context.Context, g workshop.LabGain) (json.RawMessage, error) {
	found, err := projections.OneDefinition(ctx, h.pool, kindFormula, g.Formula, g.Version)
	if err != nil {
		return nil, err
	}
	if found == nil {
		return nil, unknownDefinition(kindFormula, g.Formula, &g.Version)
	}
	formula := shownDefinition(*found)
	if err := formula.warn(kindFormula, momentOf(ctx), actorOf(ctx).Site); err != nil {
		return nil, err
	}
	return joined(formula, struct {
		GainDays int           `json:"gain_days"`
		UseBy    events.Expiry `json:"use_by"`
		Then     events.Expiry `json:"use_by_then"`
	}{g.Days, expiryOf(g.Now), expiryOf(g.Then)})
}
