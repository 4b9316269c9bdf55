package book

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"

	"firstout/internal/events/eventlog"
)

var (
	// ErrManualClock says that a real book was to run on the manual clock.
	ErrManualClock = errors.New("a real book does not run on the manual clock: start a demo or test book, or leave the manual clock out")
	// ErrNoManualClock says that the book's clock is the one on the wall and cannot be set.
	ErrNoManualClock = errors.New("this book does not run on the manual clock")
	// ErrClockBack says that the manual clock was to be set to an earlier time.
	ErrClockBack = errors.New("the manual clock moves forward only")
)

// Now is the book's time as of a head: the clock's, or where the manual clock stands, and never before the newest
// event. UTC, in whole microseconds.
func (b *Book) Now(head eventlog.Head) time.Time {
	if b.options.Manual && head.ManualNow != nil {
		return head.Moment(*head.ManualNow)
	}
	return head.Moment(b.options.Clock())
}

// SetClock moves the manual clock forward, and with it the time of every process on this book.
func (b *Book) SetClock(ctx context.Context, now time.Time) error {
	if !b.options.Manual {
		return ErrNoManualClock
	}
	err := b.withHead(ctx, func(tx pgx.Tx, head eventlog.Head) error {
		if is := b.Now(head); now.Before(is) {
			return fmt.Errorf("%w: it stands at %s", ErrClockBack, is.Format(time.RFC3339Nano))
		}
		return setManualClock(ctx, tx, now)
	})
	if err == nil {
		b.bell.ring()
	}
	return err
}

// startManualClock lets the manual clock stand at the clock's time, if nobody has set it yet.
func (b *Book) startManualClock(ctx context.Context, head eventlog.Head) error {
	if head.Book != eventlog.BookDemo && head.Book != eventlog.BookTest {
		return ErrManualClock
	}
	if head.ManualNow != nil {
		return nil
	}
	return b.withHead(ctx, func(tx pgx.Tx, head eventlog.Head) error {
		if head.ManualNow != nil {
			return nil // another process was quicker
		}
		return setManualClock(ctx, tx, b.Now(head))
	})
}

func setManualClock(ctx context.Context, tx pgx.Tx, now time.Time) error {
	b := &pgx.Batch{}
	eventlog.QueueSetManualClock(b, now.UTC().Truncate(time.Microsecond))
	return tx.SendBatch(ctx, b).Close()
}

// withHead does something to the head under its lock.
func (b *Book) withHead(ctx context.Context, do func(pgx.Tx, eventlog.Head) error) error {
	err := pgx.BeginTxFunc(ctx, b.pool, pgx.TxOptions{IsoLevel: pgx.ReadCommitted}, func(tx pgx.Tx) error {
		var head eventlog.Head
		batch := &pgx.Batch{}
		eventlog.QueueLimits(batch, b.options.Patience)
		eventlog.QueueLock(batch, &head)
		if err := tx.SendBatch(ctx, batch).Close(); err != nil {
			return err
		}
		return do(tx, head)
	})
	if err != nil {
		return fmt.Errorf("set the manual clock: %w", err)
	}
	return nil
}
