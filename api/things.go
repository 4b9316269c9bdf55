package api

import (
	"context"
	"net/http"

	"firstout/api/openapi"
	"firstout/internal/events"
	"firstout/internal/projections"
	"firstout/internal/workshop"
)

// about is what is told of one thing beside its state.
type about struct {
	history    []openapi.HistoryEvent
	recorded   []events.Recorded
	dates      []openapi.DateHad
	checks     []openapi.Check
	deviations []openapi.Deviation
}

// about reads the history of a thing, the checks in it, and its deviations.
func (h *handlers) about(ctx context.Context, code events.Code) (about, error) {
	recorded, err := projections.History(ctx, h.pool, code)
	if err != nil {
		return about{}, err
	}
	corrections := workshop.CorrectionsIn(recorded) // what is newer than what it corrects is in the history too
	var a about
	for _, r := range recorded {
		a.recorded = append(a.recorded, corrections.InPlace(r)...)
	}
	if a.dates, err = h.datesOf(ctx, code, a.recorded); err != nil {
		return about{}, err
	}
	if a.history, err = historyOf(recorded, corrections, sightOf(actorOf(ctx))); err != nil {
		return about{}, err
	}
	for _, r := range a.recorded {
		if checked, is := r.Data.(events.Checked); is {
			a.checks = append(a.checks, checkOf(r, checked))
		}
	}
	a.deviations, err = h.deviationsOf(ctx, code)
	return a, err
}

func (h *handlers) deviationsOf(ctx context.Context, code events.Code) ([]openapi.Deviation, error) {
	found, err := projections.Deviations(ctx, h.pool, projections.DeviationFilter{Code: code})
	if err != nil {
		return nil, err
	}
	var deviations []openapi.Deviation
	for _, d := range found {
		deviations = append(deviations, deviationOf(d.Is))
	}
	return deviations, nil
}

// things gives a page of one kind of thing, in code order.
func (h *handlers) things(ctx context.Context, filter projections.ThingFilter, limit *int, cursor *string) ([]projections.Thing, *string, error) {
	page, err := pageOf(ctx, limit, cursor)
	if err != nil {
		return nil, nil, err
	}
	filter.Limit, filter.Site, filter.Places = page.limit+1, actorOf(ctx).Site, ownPlaces(ctx)
	if err := page.follows(&filter.After); err != nil {
		return nil, nil, err
	}
	found, err := projections.Things(ctx, h.pool, filter)
	if err != nil {
		return nil, nil, err
	}
	momentOf(ctx).frozenNow(found...)
	return turn(ctx, page, found, func(t projections.Thing) any { return t.Code })
}

// GetLot answers about one lot; a portion's code answers the lot that it is part of.
func (h *handlers) GetLot(ctx context.Context, r openapi.GetLotRequestObject) (openapi.GetLotResponseObject, error) {
	code, thing, err := h.findA(ctx, events.KindLot, r.Code)
	if err != nil {
		return nil, err
	}
	if code.IsPart() {
		if code, thing, err = h.find(ctx, string(code.Whole())); err != nil {
			return nil, err
		}
	}
	lot := lotOf(*thing, momentOf(ctx).defs, sightOf(actorOf(ctx)))
	parts, err := projections.Parts(ctx, h.pool, code)
	if err != nil {
		return nil, err
	}
	momentOf(ctx).frozenNow(parts...)
	if lot.Portions, err = h.portionsOf(ctx, parts); err != nil {
		return nil, err
	}
	a, err := h.about(ctx, code)
	if err != nil {
		return nil, err
	}
	lot.Checks, lot.Deviations, lot.History, lot.Dates = a.checks, a.deviations, a.history, a.dates
	return openapi.GetLot200JSONResponse(lot), nil
}

// portionsOf shows the parts of a lot, each with the dates that it had.
func (h *handlers) portionsOf(ctx context.Context, parts []projections.Thing) ([]openapi.Portion, error) {
	if len(parts) == 0 {
		return nil, nil
	}
	codes := make([]events.Code, len(parts))
	for i, p := range parts {
		codes[i] = p.Code
	}
	recorded, err := projections.Dating(ctx, h.pool, codes)
	if err != nil {
		return nil, err
	}
	portions := make([]openapi.Portion, len(parts))
	for i, p := range parts {
		portions[i] = portionOf(p)
		portions[i].Dates = datesIn(recorded, p.Code, sightOf(actorOf(ctx)))
	}
	return portions, nil
}

// ListLots lists lots and blocks in code order; portions are inside their lots.
func (h *handlers) ListLots(ctx context.Context, r openapi.ListLotsRequestObject) (openapi.ListLotsResponseObject, error) {
	p := r.Params
	filter := projections.ThingFilter{Kind: events.KindLot, Subject: valueOf(p.Ingredient), Open: valueOf(p.OnHand), Whole: true}
	found, next, err := h.things(ctx, filter, p.Limit, p.Cursor)
	if err != nil {
		return nil, err
	}
	defs, sees := momentOf(ctx).defs, sightOf(actorOf(ctx))
	answer := openapi.LotPage{Lots: []openapi.Lot{}, NextCursor: next}
	for _, t := range found {
		answer.Lots = append(answer.Lots, lotOf(t, defs, sees))
	}
	return openapi.ListLots200JSONResponse(answer), nil
}

// GetGanache answers about one batch of a filling.
func (h *handlers) GetGanache(ctx context.Context, r openapi.GetGanacheRequestObject) (openapi.GetGanacheResponseObject, error) {
	code, thing, err := h.findA(ctx, events.KindGanache, r.Code)
	if err != nil {
		return nil, err
	}
	a, err := h.about(ctx, code)
	if err != nil {
		return nil, err
	}
	momentOf(ctx).frozenNow(*thing)
	ganache := ganacheOf(*thing, a.deviations)
	addMaking(&ganache, a.recorded)
	ganache.Checks, ganache.History, ganache.Dates = a.checks, a.history, a.dates
	return openapi.GetGanache200JSONResponse(ganache), nil
}

// ListGanaches lists batches and their parts in code order.
func (h *handlers) ListGanaches(ctx context.Context, r openapi.ListGanachesRequestObject) (openapi.ListGanachesResponseObject, error) {
	p := r.Params
	filter := projections.ThingFilter{Kind: events.KindGanache, Subject: valueOf(p.Formula), Open: valueOf(p.OnHand)}
	found, next, err := h.things(ctx, filter, p.Limit, p.Cursor)
	if err != nil {
		return nil, err
	}
	answer := openapi.GanachePage{Ganaches: []openapi.Ganache{}, NextCursor: next}
	for _, t := range found {
		answer.Ganaches = append(answer.Ganaches, ganacheOf(t, nil))
	}
	return openapi.ListGanaches200JSONResponse(answer), nil
}

// GetRun answers about one run, or a part of one.
func (h *handlers) GetRun(ctx context.Context, r openapi.GetRunRequestObject) (openapi.GetRunResponseObject, error) {
	code, thing, err := h.findA(ctx, events.KindRun, r.Code)
	if err != nil {
		return nil, err
	}
	a, err := h.about(ctx, code)
	if err != nil {
		return nil, err
	}
	momentOf(ctx).frozenNow(*thing)
	run := runOf(*thing, a.deviations)
	addWork(&run, a.recorded)
	run.Checks, run.History, run.Dates = a.checks, a.history, a.dates
	run.Allergens = pointerTo(allergensAt(momentOf(ctx).defs, thing.Run.Site, thing.Run.Allergens))
	if run.Places == nil {
		run.Places = []openapi.Standing{}
	}
	return openapi.GetRun200JSONResponse(run), nil
}

// ListRuns lists runs and their parts in code order.
func (h *handlers) ListRuns(ctx context.Context, r openapi.ListRunsRequestObject) (openapi.ListRunsResponseObject, error) {
	p := r.Params
	filter := projections.ThingFilter{
		Kind: events.KindRun, Subject: valueOf(p.Design), Open: valueOf(p.OnHand), Waiting: valueOf(p.AwaitingRelease),
	}
	found, next, err := h.things(ctx, filter, p.Limit, p.Cursor)
	if err != nil {
		return nil, err
	}
	answer := openapi.RunPage{Runs: []openapi.Run{}, NextCursor: next}
	for _, t := range found {
		run := runOf(t, nil)
		if run.Places == nil {
			run.Places = []openapi.Standing{}
		}
		answer.Runs = append(answer.Runs, run)
	}
	return openapi.ListRuns200JSONResponse(answer), nil
}

// vatShown is a vat's definition with what is in it now.
type vatShown struct {
	definition
	Charge  *openapi.Charge        `json:"charge,omitempty"`
	History []openapi.HistoryEvent `json:"history,omitempty"`
	Checks  []openapi.Check        `json:"checks,omitempty"`
}

// MarshalJSON writes one object: the definition's members and the vat's own.
func (v vatShown) MarshalJSON() ([]byte, error) {
	type own struct {
		Charge  *openapi.Charge        `json:"charge,omitempty"`
		History []openapi.HistoryEvent `json:"history,omitempty"`
		Checks  []openapi.Check        `json:"checks,omitempty"`
	}
	return joined(v.definition, own{v.Charge, v.History, v.Checks})
}

// GetVat answers about one vat: its definition, and its charge with the lots that are in it.
func (h *handlers) GetVat(ctx context.Context, r openapi.GetVatRequestObject) (openapi.GetVatResponseObject, error) {
	if vat := momentOf(ctx).defs.Vats.Latest(r.Slug); vat != nil {
		if err := ownSite(ctx, vat.Body.Site); err != nil {
			return nil, err
		}
	}
	found, err := projections.OneDefinition(ctx, h.pool, "vat", r.Slug, valueOf(r.Params.Version))
	if err != nil {
		return nil, err
	}
	if found == nil {
		return nil, unknownDefinition("vat", r.Slug, r.Params.Version)
	}
	shown := vatShown{definition: shownDefinition(*found)}
	charges, err := h.charges(ctx, r.Slug)
	if err != nil {
		return nil, err
	}
	if charge, holds := charges[r.Slug]; holds {
		shown.Charge = &charge
		a, err := h.about(ctx, events.Code(charge.Code))
		if err != nil {
			return nil, err
		}
		shown.History, shown.Checks = a.history, a.checks
	}
	return answered(http.StatusOK, shown)
}

// ListVats lists the vats with what is in them.
func (h *handlers) ListVats(ctx context.Context, r openapi.ListVatsRequestObject) (openapi.ListVatsResponseObject, error) {
	page, err := pageOf(ctx, r.Params.Limit, r.Params.Cursor)
	if err != nil {
		return nil, err
	}
	after := ""
	if err := page.follows(&after); err != nil {
		return nil, err
	}
	found, err := projections.Definitions(ctx, h.pool, "vat", actorOf(ctx).Site, after, page.limit+1)
	if err != nil {
		return nil, err
	}
	rows, next, err := turn(ctx, page, found, func(d projections.Definition) any { return d.Slug })
	if err != nil {
		return nil, err
	}
	charges, err := h.charges(ctx, "")
	if err != nil {
		return nil, err
	}
	shown := make([]vatShown, len(rows))
	for i, d := range rows {
		shown[i].definition = shownDefinition(d)
		if charge, holds := charges[d.Slug]; holds {
			shown[i].Charge = &charge
		}
	}
	return answered(http.StatusOK, map[string]any{"vats": shown, "next_cursor": next})
}

// charges gives what is in each vat that holds a charge, or in one.
func (h *handlers) charges(ctx context.Context, slug string) (map[string]openapi.Charge, error) {
	vats, err := projections.Vats(ctx, h.pool)
	if err != nil {
		return nil, err
	}
	var codes []events.Code
	for _, v := range vats {
		if v.Charge != "" && (slug == "" || v.Slug == slug) {
			codes = append(codes, v.Charge)
		}
	}
	things, err := projections.ThingsOf(ctx, h.pool, codes)
	if err != nil {
		return nil, err
	}
	names, err := h.ingredientsIn(ctx, things)
	if err != nil {
		return nil, err
	}
	charges := map[string]openapi.Charge{}
	for _, t := range things {
		charges[t.Charge.Vat] = chargeOf(t.Charge, momentOf(ctx).defs.TraceAt(t.Charge.Site), names)
	}
	return charges, nil
}

// ingredientsIn names the ingredient of every lot in some charges.
func (h *handlers) ingredientsIn(ctx context.Context, charges []projections.Thing) (map[events.Code]string, error) {
	var lots []events.Code
	for _, t := range charges {
		for _, p := range t.Charge.Mix {
			if p.Lot != "" {
				lots = append(lots, p.Lot)
			}
		}
	}
	nodes, err := projections.NodesOf(ctx, h.pool, lots)
	names := map[events.Code]string{}
	for _, n := range nodes {
		names[n.Code] = n.Subject
	}
	return names, err
}

// ListHolds lists holds in the order in which they were placed.
func (h *handlers) ListHolds(ctx context.Context, r openapi.ListHoldsRequestObject) (openapi.ListHoldsResponseObject, error) {
	page, err := pageOf(ctx, r.Params.Limit, r.Params.Cursor)
	if err != nil {
		return nil, err
	}
	filter := projections.HoldFilter{Open: valueOf(r.Params.Open), Site: actorOf(ctx).Site, Places: ownPlaces(ctx), Limit: page.limit + 1}
	if err := page.follows(&filter.After); err != nil {
		return nil, err
	}
	found, err := projections.Holds(ctx, h.pool, filter)
	if err != nil {
		return nil, err
	}
	rows, next, err := turn(ctx, page, found, func(a projections.At[workshop.Hold]) any { return a.Position })
	if err != nil {
		return nil, err
	}
	answer := openapi.HoldPage{Holds: []openapi.Hold{}, NextCursor: next}
	for _, a := range rows {
		answer.Holds = append(answer.Holds, holdOf(a.Is))
	}
	return openapi.ListHolds200JSONResponse(answer), nil
}

// ListDeviations lists deviations in the order in which they were opened.
func (h *handlers) ListDeviations(ctx context.Context, r openapi.ListDeviationsRequestObject) (openapi.ListDeviationsResponseObject, error) {
	page, err := pageOf(ctx, r.Params.Limit, r.Params.Cursor)
	if err != nil {
		return nil, err
	}
	filter := projections.DeviationFilter{Open: valueOf(r.Params.Open), Site: actorOf(ctx).Site, Places: ownPlaces(ctx), Limit: page.limit + 1}
	if r.Params.Code != nil {
		code, refusal := workshop.ParseCode(*r.Params.Code)
		if refusal != nil {
			return nil, refusal
		}
		filter.Code = code
	}
	if err := page.follows(&filter.After); err != nil {
		return nil, err
	}
	found, err := projections.Deviations(ctx, h.pool, filter)
	if err != nil {
		return nil, err
	}
	rows, next, err := turn(ctx, page, found, func(a projections.At[workshop.Deviation]) any { return a.Position })
	if err != nil {
		return nil, err
	}
	answer := openapi.DeviationPage{Deviations: []openapi.Deviation{}, NextCursor: next}
	for _, a := range rows {
		answer.Deviations = append(answer.Deviations, deviationOf(a.Is))
	}
	return openapi.ListDeviations200JSONResponse(answer), nil
}
