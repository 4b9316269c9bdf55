package eventlog

import (
	"context"
	"fmt"
	"strconv"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgxpool"
)

const (
	// Patience is how long the server lets a writer stand still before it ends it. Whoever holds the head's lock holds up
	// everyone, and nobody at a counter waits for longer; a group takes milliseconds.
	Patience = 3 * time.Second
	// LongPatience is the same for what looks wide and goes alone: a correction, a recall, the swap of a rebuild.
	LongPatience = 15 * time.Second
)

const setLimits = `
SELECT set_config('lock_timeout', $1, $2), set_config('idle_in_transaction_session_timeout', $1, $2), set_config('statement_timeout', $1, $2)`

// planOnce has a writer's statements planned once and not anew for each group, which can take longer than all the rest
// of it. They look a few rows up by their keys, whatever the values and however large the tables; so that a plan made
// while a table was small serves it for ever, reading a whole table is the last resort.
const planOnce = `
SELECT set_config('plan_cache_mode', 'force_generic_plan', false), set_config('enable_seqscan', 'off', false), set_config('jit', 'off', false)`

// Writer opens a connection beside the pool, as the pool would open one, for one that takes the head's lock; it is the
// caller's to close. Readers that use up the pool cannot keep it from writing. The server ends its waiting for the
// lock, its statement and, where it stopped between two trips (a paused process, a lost network), its session when
// patience is over.
func Writer(ctx context.Context, pool *pgxpool.Pool, patience time.Duration) (*pgx.Conn, error) {
	conn, err := connect(ctx, pool.Config())
	if err != nil {
		return nil, fmt.Errorf("connect to write: %w", err)
	}
	b := &pgx.Batch{}
	b.Queue(setLimits, milliseconds(patience), false)
	b.Queue(planOnce)
	if err := conn.SendBatch(ctx, b).Close(); err != nil {
		_ = conn.Close(ctx) // the first error is the one to tell
		return nil, fmt.Errorf("connect to write: %w", err)
	}
	return conn, nil
}

func connect(ctx context.Context, config *pgxpool.Config) (*pgx.Conn, error) {
	if config.BeforeConnect != nil {
		if err := config.BeforeConnect(ctx, config.ConnConfig); err != nil {
			return nil, err
		}
	}
	conn, err := pgx.ConnectConfig(ctx, config.ConnConfig)
	if err != nil {
		return nil, err
	}
	if config.AfterConnect != nil {
		if err := config.AfterConnect(ctx, conn); err != nil {
			_ = conn.Close(ctx) // the first error is the one to tell
			return nil, err
		}
	}
	return conn, nil
}

// QueueLimits puts a writer's limits on one transaction of a connection that is otherwise used for reading. It stands
// before QueueLock.
func QueueLimits(b *pgx.Batch, patience time.Duration) {
	b.Queue(setLimits, milliseconds(patience), true)
}

// Unhurried takes the limits of a pool for questions off a transaction that reads the whole book: how long that takes grows
// with the book, and whoever it is written to may be slow. It ends with its context.
func Unhurried(ctx context.Context, tx pgx.Tx) error {
	b := &pgx.Batch{}
	b.Queue(setLimits, "0", true)
	if err := tx.SendBatch(ctx, b).Close(); err != nil {
		return fmt.Errorf("begin to read the book: %w", err)
	}
	return nil
}

func milliseconds(d time.Duration) string { return strconv.FormatInt(d.Milliseconds(), 10) }
