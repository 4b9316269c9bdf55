package api

import (
	"context"

	"firstout/api/openapi"
	"firstout/internal/events"
	"firstout/internal/workshop"
)

// PlaceHold takes a thing out of use.
func (h *handlers) PlaceHold(ctx context.Context, r openapi.PlaceHoldRequestObject) (openapi.PlaceHoldResponseObject, error) {
	var codes typed
	b := r.Body
	place := workshop.PlaceHold{
		Done: done(b.OccurredAt, b.AlreadyDone), Code: codes.code(b.Code), Downstream: valueOf(b.Downstream), Reason: b.Reason,
	}
	if err := codes.err(); err != nil {
		return nil, err
	}
	return do(ctx, h, place, func(placed workshop.HoldAnswer, recorded []events.Recorded) any {
		hold := holdOf(*placed.Hold)
		hold.Recorded = pointerTo(recordedOf(recorded))
		return hold
	})
}

// LiftHold gives back what a hold took in.
func (h *handlers) LiftHold(ctx context.Context, r openapi.LiftHoldRequestObject) (openapi.LiftHoldResponseObject, error) {
	b := r.Body
	lift := workshop.LiftHold{Done: done(b.OccurredAt, b.AlreadyDone), Hold: r.ID, Reason: b.Reason}
	return do(ctx, h, lift, func(lifted workshop.HoldAnswer, recorded []events.Recorded) any {
		return openapi.Lift{Hold: r.ID, Codes: plainCodes(lifted.Hold.Codes), Reason: b.Reason, Recorded: recordedOf(recorded)}
	})
}
