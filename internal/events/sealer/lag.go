package sealer

import (
	"context"
	"fmt"
	"time"

	"firstout/internal/events/eventlog"
)

// Lag says how far the seal is behind the log.
type Lag struct {
	Sealed   int64      // events that a checkpoint vouches for
	SignedAt *time.Time // when the newest checkpoint was signed, UTC; nil: none was
	Head     int64      // events in the log
	Since    *time.Time // when the oldest event that is not sealed was recorded, by the book's clock, UTC; nil: all are, or it is missing
}

// Events is how many are not sealed yet. It is below zero in a book that was put back behind its seals.
func (l Lag) Events() int64 { return l.Head - l.Sealed }

// ReadLag asks how far the seal is behind. It is one look-up by primary key in each table, however old the book.
func ReadLag(ctx context.Context, q eventlog.Querier) (Lag, error) {
	var l Lag
	err := q.QueryRow(ctx, `
SELECT coalesce(newest.size, 0), newest.signed_at, head.position, oldest.recorded_at
FROM head
LEFT JOIN LATERAL (SELECT size, signed_at FROM checkpoints ORDER BY size DESC LIMIT 1) AS newest ON true
LEFT JOIN LATERAL (SELECT recorded_at FROM log WHERE position = coalesce(newest.size, 0) + 1) AS oldest ON true`).
		Scan(&l.Sealed, &l.SignedAt, &l.Head, &l.Since)
	if err != nil {
		return Lag{}, fmt.Errorf("read how far the seal is: %w", err)
	}
	l.SignedAt, l.Since = inUTC(l.SignedAt), inUTC(l.Since)
	return l, nil
}

func inUTC(t *time.Time) *time.Time {
	if t == nil {
		return nil
	}
	utc := t.UTC()
	return &utc
}
