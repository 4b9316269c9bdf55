package api

import (
	"context"

	"firstout/api/openapi"
	"firstout/internal/events"
	"firstout/internal/projections"
	"firstout/internal/workshop"
)

// MakeGanache records one batch of a filling.
func (h *handlers) MakeGanache(ctx context.Context, r openapi.MakeGanacheRequestObject) (openapi.MakeGanacheResponseObject, error) {
	var codes typed
	b := r.Body
	batch := workshop.MakeGanache{
		Done: done(b.OccurredAt, b.AlreadyDone), Formula: b.Formula, Inputs: codes.ganacheInputs(b.Inputs), PickFefo: b.Pick != nil,
		Scale: valueOf(b.Scale), Vat: valueOf(b.Vat), Yield: b.YieldG, HeatStep: b.HeatStep, PH: b.Ph, WaterActivity: b.WaterActivity,
		Evaporated: valueOf(b.EvaporatedG), PackedHot: valueOf(b.PackedHot), Cooling: b.Cooling, Place: b.Place,
	}
	if err := codes.err(); err != nil {
		return nil, err
	}
	return do(ctx, h, batch, func(made workshop.GanacheAnswer, recorded []events.Recorded) any {
		g := made.Ganache
		ganache := ganacheOf(projections.Thing{Ganache: g, Lines: standingAt(g.Code, g.Place, made.OnHand)}, deviationsIn(recorded))
		addMaking(&ganache, recorded)
		ganache.Recorded = pointerTo(recordedOf(recorded))
		return ganache
	})
}
