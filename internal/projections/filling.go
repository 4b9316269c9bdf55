package projections

import (
	"context"
	"errors"
	"fmt"

	"github.com/jackc/pgx/v5"

	"firstout/internal/events"
)

// A Filling fills the derived tables of an empty book while its log is being written, in the same transaction: both
// stand once it is committed, or neither.
type Filling struct {
	tx      pgx.Tx
	fold    *folding
	indexes []string
}

// Fill begins to fill the tables, within a transaction of the role that owns them. corrections are all events of the log
// that correct a command, in their order.
func Fill(ctx context.Context, tx pgx.Tx, corrections []events.Recorded) (*Filling, error) {
	var free bool
	if err := tx.QueryRow(ctx, "SELECT pg_try_advisory_xact_lock($1)", rebuildLock).Scan(&free); err != nil {
		return nil, fmt.Errorf("fill the derived tables: %w", err)
	}
	if !free {
		return nil, errors.New("fill the derived tables: a rebuild of this book is going on: wait for its end")
	}
	indexes, err := makeTables(ctx, tx.Conn())
	if err != nil {
		return nil, fmt.Errorf("fill the derived tables: %w", err)
	}
	f := &Filling{tx: tx, fold: newFolding(), indexes: indexes}
	f.fold.knows(corrections)
	return f, nil
}

// Take folds the next event of the log. The transaction's connection must be free.
func (f *Filling) Take(ctx context.Context, r events.Recorded) error {
	err := f.fold.take(r, flushAt, func() error { return f.fold.flush(ctx, f.tx, besideSchema) })
	return wrap(err, "fill the derived tables")
}

// Finish writes what is left and puts the tables in the place of the empty ones.
func (f *Filling) Finish(ctx context.Context) error {
	return wrap(f.finish(ctx), "fill the derived tables")
}

func (f *Filling) finish(ctx context.Context) error {
	if err := f.fold.finish(ctx, f.tx, besideSchema); err != nil {
		return err
	}
	statements := f.indexes
	for _, table := range tables { // the first readers plan with these figures
		statements = append(statements, "ANALYZE "+besideSchema+"."+table)
	}
	if err := execAll(ctx, f.tx.Conn(), statements); err != nil {
		return err
	}
	if err := rename(ctx, f.tx, swapLongWait); err != nil {
		return err
	}
	return execAll(ctx, f.tx.Conn(), []string{
		"DROP SCHEMA " + replacedSchema + " CASCADE",
		"UPDATE head SET projection = projection + 1",
	})
}
