package api

import (
	"context"

	"firstout/api/openapi"
	"firstout/internal/events"
	"firstout/internal/workshop"
)

// RecordCheck records a check of a thing, a place or a vat.
func (h *handlers) RecordCheck(ctx context.Context, r openapi.RecordCheckRequestObject) (openapi.RecordCheckResponseObject, error) {
	var codes typed
	b := r.Body
	check := workshop.Check{
		Done: done(b.OccurredAt, b.AlreadyDone), Kind: string(b.Kind), Value: b.Value, Result: string(valueOf(b.Result)),
		Uncertainty: b.Uncertainty, Method: valueOf(b.Method), Document: valueOf(b.Document), Instrument: valueOf(b.Instrument),
		From: b.From, To: b.To,
	}
	check.Code, check.Slug = codes.subject(b.Subject)
	if err := codes.err(); err != nil {
		return nil, err
	}
	return do(ctx, h, check, func(checked workshop.CheckAnswer, recorded []events.Recorded) any {
		shown := checkOf(mainEvent[events.Checked](recorded))
		shown.Deviations, shown.Redated = deviationsIn(recorded), redatingsIn(recorded)
		if len(checked.Parted) > 0 {
			shown.Parted = movedLinesOf(checked.Parted)
		}
		shown.Recorded = pointerTo(recordedOf(recorded))
		return shown
	})
}
