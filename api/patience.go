package api

import (
	"context"

	"firstout/internal/projections"
)

// longRoutes are those whose work grows with what is asked: they look wide, over all that came of a thing or over a
// span of time. They may take longer, and questions among them have connections of their own, so that a wide look
// never keeps a counter waiting. Streams have no end; what they read has the limits of any other question.
var longRoutes = map[string]bool{
	"/v1/trace/:code/back": true, "/v1/trace/:code/forward": true, "/v1/trace/candidates": true,
	"/v1/balances": true, "/v1/balances/:code": true, "/v1/waste": true, "/v1/labels/stale": true,
	"/v1/recalls": true, "/v1/recalls/:id": true, "/v1/recalls/:id/notice": true, "/v1/recalls/:id/narrowings": true, "/v1/recalls/:id/closings": true,
	"/v1/corrections": true, "/v1/holds": true, "/v1/redatings": true, "/v1/checks": true, "/v1/deviations/:id/decisions": true,
	"/v1/events": true,
}

// questions reads from the pool that fits the route which a question came by.
func questions(quick, long projections.Batcher) projections.Chosen {
	return func(ctx context.Context) projections.Batcher {
		if k, is := ctx.Value(callKey{}).(*call); is && longRoutes[k.route] {
			return long
		}
		return quick
	}
}
