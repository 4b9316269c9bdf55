package projections

import (
	"context"
	"fmt"

	"github.com/jackc/pgx/v5"

	"firstout/internal/events"
	"firstout/internal/workshop"
)

var labelledCodes = query("labelled")

// Batcher is a Querier that takes several queries in one trip.
type Batcher interface {
	Querier
	SendBatch(ctx context.Context, b *pgx.Batch) pgx.BatchResults
}

// mostRounds bounds how often what a question turned out to need is loaded: each is a step further from what was asked.
const mostRounds = 8

// Read loads needs into a set of its own and works something out of it; what that turns out to need beside is loaded, and
// it is worked out again.
func Read[T any](ctx context.Context, q Batcher, defs *workshop.Definitions, needs []workshop.Need, work func(*workshop.Set) T) (T, error) {
	set := workshop.NewSet(defs, false)
	for range mostRounds {
		b := &pgx.Batch{}
		QueueLoad(b, set, needs)
		if err := q.SendBatch(ctx, b).Close(); err != nil {
			var none T
			return none, fmt.Errorf("load what a question is about: %w", err)
		}
		found, lacks := workshop.Read(set, work)
		if len(lacks) == 0 {
			return found, nil
		}
		needs = lacks
	}
	var none T
	return none, fmt.Errorf("still missing after %d rounds: %v", mostRounds, needs)
}

// LabelledCodes lists what stands at places (nil: anywhere) and whose label was printed, and every part that stands there.
// It grows with what is on hand, not with the age of the book.
func LabelledCodes(ctx context.Context, q Querier, places []string) ([]events.Code, error) {
	return collect(ctx, q, pgx.RowTo[events.Code], "list what has labels", labelledCodes, places)
}
