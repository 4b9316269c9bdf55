package api

import (
	"context"

	"firstout/api/openapi"
	"firstout/internal/events"
	"firstout/internal/workshop"
)

// CreateRedating gives a thing another date.
func (h *handlers) CreateRedating(ctx context.Context, r openapi.CreateRedatingRequestObject) (openapi.CreateRedatingResponseObject, error) {
	var codes typed
	b := r.Body
	redate := workshop.Redate{Done: done(b.OccurredAt, b.AlreadyDone), Code: codes.code(b.Code), Date: b.Date, Reason: b.Reason}
	if err := codes.err(); err != nil {
		return nil, err
	}
	return do(ctx, h, redate, func(_ workshop.RedateAnswer, recorded []events.Recorded) any {
		return openapi.Redatings{Redated: redatingsIn(recorded), Recorded: recordedOf(recorded)}
	})
}
