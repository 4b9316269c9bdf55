package api

import (
	"context"
	"fmt"

	"firstout/api/openapi"
	"firstout/internal/events"
	"firstout/internal/projections"
	"firstout/internal/workshop"
)

// GetBalance answers whether the mass of a thing adds up.
func (h *handlers) GetBalance(ctx context.Context, r openapi.GetBalanceRequestObject) (openapi.GetBalanceResponseObject, error) {
	code, refusal := workshop.ParseCode(r.Code)
	if refusal != nil {
		return nil, refusal
	}
	found, err := projections.BalanceOf(ctx, h.pool, code)
	if err != nil {
		return nil, err
	}
	if found == nil {
		return nil, &workshop.Refusal{
			Slug: workshop.RefusedUnknownCode, InURL: true, Facts: workshop.Facts{"code": code},
			Detail: fmt.Sprintf("There is no %s %s in the book: look at the label again.", code.Kind(), code),
		}
	}
	if err := ownThing(ctx, &found.Thing); err != nil {
		return nil, err
	}
	b := balanceOf(*found)
	answer := openapi.Balance{
		Code: string(code), InG: b.In, DiscardedG: b.Discarded, OnHandG: b.OnHand, ProcessLossG: b.ProcessLoss,
		DifferenceG: b.Difference(), Out: []openapi.BalanceOut{},
	}
	for _, o := range b.Out {
		answer.Out = append(answer.Out, openapi.BalanceOut{To: o.To, QuantityG: o.Mass})
	}
	if callOf(ctx).accepts == mediaCSV {
		return balanceSheet(answer).answer(), nil
	}
	return openapi.GetBalance200JSONResponse(answer), nil
}

// balanceOf draws up a balance from what the tables say.
func balanceOf(found projections.Balance) workshop.Balance {
	var b workshop.Balance
	for _, e := range found.In {
		b.In += e.Mass
	}
	for _, e := range found.Out {
		b.Send(string(e.To), e.Mass)
	}
	for _, s := range found.Sums {
		switch s.Cause {
		case workshop.CauseReceived:
			b.In += s.MassCame
		case workshop.CauseDiscarded:
			b.Discarded += s.MassWent
		case workshop.CauseSold, workshop.CauseGiven:
			b.Send(s.Cause, s.MassWent)
		}
	}
	for _, l := range append(found.Thing.Lines, found.Thing.PartLines...) {
		if l.Grade != "" {
			b.OnHand += l.PieceMass.Times(int(l.Amount))
		} else {
			b.OnHand += events.Mass(l.Amount)
		}
	}
	if g := found.Thing.Ganache; g != nil {
		loss := b.In - g.Yield
		b.ProcessLoss = &loss
	}
	return b
}

// maxPeriodDays bounds the span of a report: ten years, with leap days.
const maxPeriodDays = 3660

// GetWaste answers what was thrown away.
func (h *handlers) GetWaste(ctx context.Context, r openapi.GetWasteRequestObject) (openapi.GetWasteResponseObject, error) {
	p := r.Params
	from, to, err := periodIn(p.From, p.To)
	if err != nil {
		return nil, err
	}
	by := projections.WasteByReason
	if p.By != nil {
		by = string(*p.By)
	}
	sums, err := projections.Waste(ctx, h.pool, from, to, by, ownPlaces(ctx))
	if err != nil {
		return nil, err
	}
	checkpoint, err := h.newestCheckpoint(ctx)
	if err != nil {
		return nil, err
	}
	answer := openapi.Waste{From: from, To: to, By: openapi.WasteBy(by), Lines: []openapi.WasteLine{}, Checkpoint: checkpoint}
	for _, s := range sums {
		line := openapi.WasteLine{Pieces: int(s.Pieces), WeightG: s.Mass, CountsAsWaste: s.Waste}
		switch by {
		case projections.WasteByReason:
			line.Reason = pointerTo(openapi.DiscardReason(s.Key))
		case projections.WasteByDesign:
			line.Design = &s.Key
		case projections.WasteByPlace:
			line.Place = &s.Key
		}
		answer.Lines = append(answer.Lines, line)
	}
	return openapi.GetWaste200JSONResponse(answer), nil
}
