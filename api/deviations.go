package api

import (
	"context"

	"firstout/api/openapi"
	"firstout/internal/events"
	"firstout/internal/workshop"
)

// DecideDeviation records what is to be done about a deviation.
func (h *handlers) DecideDeviation(ctx context.Context, r openapi.DecideDeviationRequestObject) (openapi.DecideDeviationResponseObject, error) {
	b := r.Body
	decide := workshop.DecideDeviation{
		Done: done(b.OccurredAt, b.AlreadyDone), Deviation: r.ID, Decision: string(b.Decision), Date: b.Date, Reason: b.Reason,
	}
	return do(ctx, h, decide, func(_ workshop.DeviationAnswer, recorded []events.Recorded) any {
		decision := openapi.Decision{
			Deviation: r.ID, Decision: openapi.DecisionDecision(b.Decision), Date: b.Date, Reason: b.Reason,
			Redated: redatingsIn(recorded), Recorded: recordedOf(recorded),
		}
		for _, r := range recorded {
			if lifted, is := r.Data.(events.HoldLifted); is {
				decision.Lifted = append(decision.Lifted, lifted.Hold)
			}
		}
		return decision
	})
}
