// Package eventlog appends to the log in PostgreSQL and reads it back, in the order of commits and without gaps.
//
// The head is one row that every writer locks first. Whoever holds it knows the last position given and is alone in
// giving the next: positions are dense and rise with the commits, so a reader that has seen a position has seen
// everything before it. Functions that start with Queue add statements to a batch of somebody's transaction, so that
// what belongs to one round trip can travel together; they hide no transaction.
//
// It does not know what the events mean, nor what is derived from them.
package eventlog

import (
	"context"
	"fmt"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"

	"firstout/internal/events"
)

// A Querier reads: a pool, a connection or a transaction.
type Querier interface {
	Query(ctx context.Context, sql string, args ...any) (pgx.Rows, error)
	QueryRow(ctx context.Context, sql string, args ...any) pgx.Row
}

// A DB reads and writes: a pool, a connection or a transaction.
type DB interface {
	Querier
	Exec(ctx context.Context, sql string, args ...any) (pgconn.CommandTag, error)
	Begin(ctx context.Context) (pgx.Tx, error)
}

// Head says how far the book has come.
type Head struct {
	Position      int64      // of the newest event; 0 in an empty book
	RecordedAt    time.Time  // of the newest event, UTC; 1970 in an empty book
	DefinitionsAt int64      // position of the newest definition or erasure: a cached catalogue is good while this stays
	Projection    int        // counts the swaps of the derived tables
	Epoch         string     // tells this book's positions from those of another
	Book          string     // BookReal, BookDemo or BookTest; empty before the first start has said it
	ManualNow     *time.Time // where the manual clock stands, UTC; nil: it was never set
}

// Moment is what an event written now is stamped with: the clock's time in UTC and whole microseconds (PostgreSQL
// keeps no finer ones), or the newest event's if the clock has fallen behind it.
func (h Head) Moment(clock time.Time) time.Time {
	now := clock.UTC().Truncate(time.Microsecond)
	if now.Before(h.RecordedAt) {
		return h.RecordedAt
	}
	return now
}

// After is the head once these events, which follow on it, stand in the log.
func (h Head) After(recorded []events.Recorded) Head {
	for _, r := range recorded {
		h.Position, h.RecordedAt = r.Position, r.RecordedAt
		if _, erased := r.Data.(events.PersonErased); erased || strings.HasSuffix(r.Data.EventType(), "_defined") {
			h.DefinitionsAt = r.Position
		}
	}
	return h
}

const selectHead = `SELECT position, recorded_at, definitions_at, projection, epoch, coalesce(book, ''), manual_now FROM head`

// ReadHead reads the head as committed. It waits for no writer.
func ReadHead(ctx context.Context, q Querier) (Head, error) {
	var head Head
	if err := scanHead(q.QueryRow(ctx, selectHead), &head); err != nil {
		return Head{}, fmt.Errorf("read the head: %w", err)
	}
	return head, nil
}

// QueueLock takes the head's lock until the transaction ends and reads the head. Everything a decision rests on is
// read after it, in the same transaction at READ COMMITTED.
func QueueLock(b *pgx.Batch, into *Head) {
	b.Queue(selectHead + ` FOR UPDATE`).QueryRow(func(row pgx.Row) error {
		if err := scanHead(row, into); err != nil {
			return fmt.Errorf("lock the head: %w", err)
		}
		return nil
	})
}

func scanHead(row pgx.Row, into *Head) error {
	err := row.Scan(&into.Position, &into.RecordedAt, &into.DefinitionsAt, &into.Projection, &into.Epoch, &into.Book, &into.ManualNow)
	into.RecordedAt = into.RecordedAt.UTC()
	if into.ManualNow != nil {
		utc := into.ManualNow.UTC()
		into.ManualNow = &utc
	}
	return err
}
