package projections

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgxpool"

	"firstout/internal/events"
	"firstout/internal/events/eventlog"
	"firstout/internal/workshop"
)

// bulkAt is how many events are held before they are written out: some tens of megabytes.
const bulkAt = 20_000

// Bulk is a book being written from its beginning, in one transaction: what is decided goes out by COPY, what is finished is
// let go of, so that it may be far larger than the memory.
type Bulk struct {
	tx       pgx.Tx
	fold     *folding
	head     eventlog.Head
	recorded []events.Recorded
	answers  []eventlog.Answered
}

// WriteBulk writes a book into a database that has none yet: all that play tells of it, or nothing. The pool's role must own
// the tables.
func WriteBulk(ctx context.Context, owner *pgxpool.Pool, play func(*Bulk) error) error {
	err := pgx.BeginFunc(ctx, owner, func(tx pgx.Tx) error {
		b := &Bulk{tx: tx, fold: newFolding()}
		lock := &pgx.Batch{}
		eventlog.QueueLock(lock, &b.head)
		if err := tx.SendBatch(ctx, lock).Close(); err != nil {
			return err
		}
		if b.head.Position > 0 {
			return errors.New("there is a book in this database already: name an empty one")
		}
		if err := play(b); err != nil {
			return err
		}
		return b.finish(ctx)
	})
	if err != nil {
		return fmt.Errorf("write a book: %w", err)
	}
	for _, table := range append([]string{"log", "event_codes", "commands", "people"}, tables...) {
		if _, err := owner.Exec(ctx, "VACUUM ANALYZE "+table); err != nil {
			return fmt.Errorf("analyze %s: %w", table, err)
		}
	}
	return nil
}

// Set is the book as it stands, less what is finished.
func (b *Bulk) Set() *workshop.Set { return b.fold.set }

// Head is where the book stands.
func (b *Bulk) Head() eventlog.Head { return b.head }

// Take writes a decided command down, with the answer that its key got; a definition has none.
func (b *Bulk) Take(ctx context.Context, outcome workshop.Outcome, answer *eventlog.Answered) error {
	outcome.Set.Merge()
	for _, r := range outcome.Recorded {
		b.fold.origins.note(r)
	}
	b.recorded = append(b.recorded, outcome.Recorded...)
	b.head = b.head.After(outcome.Recorded)
	if answer != nil {
		b.answers = append(b.answers, *answer)
	}
	if len(b.recorded) < bulkAt {
		return nil
	}
	return b.flush(ctx)
}

func (b *Bulk) flush(ctx context.Context) error {
	if err := eventlog.Copy(ctx, b.tx, b.recorded, b.answers, b.head); err != nil {
		return err
	}
	b.recorded, b.answers = b.recorded[:0], b.answers[:0]
	return b.fold.flush(ctx, b.tx, liveSchema)
}

// Shed writes down and lets go of what is finished: what was last told of before an instant, and stands nowhere.
func (b *Bulk) Shed(ctx context.Context, since time.Time) error {
	gone := b.fold.set.Shed(since)
	if err := b.states(ctx, gone); err != nil {
		return err
	}
	for _, t := range changedThings(gone) {
		delete(b.fold.origins.things, t.code)
	}
	return nil
}

// states writes the states of a set.
func (b *Bulk) states(ctx context.Context, set *workshop.Set) error {
	states, err := stateRows(set, b.fold.origins)
	if err != nil {
		return err
	}
	b.fold.origins.definitions = nil
	for _, table := range states {
		if table.len() == 0 {
			continue
		}
		if err := table.copyInto(ctx, b.tx, liveSchema); err != nil {
			return err
		}
	}
	return nil
}

func (b *Bulk) finish(ctx context.Context) error {
	if err := b.flush(ctx); err != nil {
		return err
	}
	if err := b.states(ctx, b.fold.set); err != nil {
		return err
	}
	if err := b.fold.sales.rows().copyInto(ctx, b.tx, liveSchema); err != nil {
		return err
	}
	if err := peopleRows(b.fold.set.People).copyInto(ctx, b.tx, liveSchema); err != nil {
		return err
	}
	return eventlog.MoveHead(ctx, b.tx, b.head)
}
