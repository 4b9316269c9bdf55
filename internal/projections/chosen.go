package projections

import (
	"context"

	"github.com/jackc/pgx/v5"
)

// Chosen reads from what it chooses for the question that a context belongs to.
type Chosen func(ctx context.Context) Batcher

// Query asks one thing.
func (c Chosen) Query(ctx context.Context, sql string, args ...any) (pgx.Rows, error) {
	return c(ctx).Query(ctx, sql, args...)
}

// QueryRow asks for one row.
func (c Chosen) QueryRow(ctx context.Context, sql string, args ...any) pgx.Row {
	return c(ctx).QueryRow(ctx, sql, args...)
}

// SendBatch asks several things in one trip.
func (c Chosen) SendBatch(ctx context.Context, b *pgx.Batch) pgx.BatchResults {
	return c(ctx).SendBatch(ctx, b)
}
