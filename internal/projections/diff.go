package projections

import (
	"context"
	"fmt"

	"github.com/jackc/pgx/v5"
)

// Beginner starts transactions: a pool or a connection.
type Beginner interface {
	BeginTx(ctx context.Context, options pgx.TxOptions) (pgx.Tx, error)
}

// Difference is a row of a derived table that is not as the log has it.
type Difference struct {
	Table string
	Side  string // "live": only the table in use has the row; "log": only a fresh fold has it
	Row   string // as PostgreSQL writes a row
}

// diffLimit bounds the differences told of one table: a few show what is wrong.
const diffLimit = 10

// Diff folds the whole log anew and compares it with the derived tables row for row; none is what it should find.
// Everything is looked at as of one moment, while writers go on. It needs no more than the right to read and to
// make temporary tables. The whole fold is held in memory, movements and edges too.
func Diff(ctx context.Context, db Beginner) ([]Difference, error) {
	tx, err := db.BeginTx(ctx, pgx.TxOptions{IsoLevel: pgx.RepeatableRead})
	if err != nil {
		return nil, fmt.Errorf("compare with the log: %w", err)
	}
	defer func() { _ = tx.Rollback(context.WithoutCancel(ctx)) }() // nothing of it is to stay
	differences, err := diff(ctx, tx)
	return differences, wrap(err, "compare with the log")
}

func diff(ctx context.Context, tx pgx.Tx) ([]Difference, error) {
	fold := newFolding()
	if err := fold.begin(ctx, tx); err != nil {
		return nil, err
	}
	if err := fold.read(ctx, tx, 0, nil); err != nil {
		return nil, err
	}
	for _, table := range tables {
		sql := fmt.Sprintf("CREATE TEMPORARY TABLE %[1]s (LIKE %[2]s.%[1]s INCLUDING GENERATED) ON COMMIT DROP", table, liveSchema)
		if _, err := tx.Exec(ctx, sql); err != nil {
			return nil, fmt.Errorf("make a table beside %s: %w", table, err)
		}
	}
	if err := fold.finish(ctx, tx, freshSchema); err != nil {
		return nil, err
	}
	var all []Difference
	for _, table := range tables {
		live, err := only(ctx, tx, table, "live", liveSchema, freshSchema)
		if err != nil {
			return nil, err
		}
		fresh, err := only(ctx, tx, table, "log", freshSchema, liveSchema)
		if err != nil {
			return nil, err
		}
		all = append(append(all, live...), fresh...)
	}
	return all, nil
}

// freshSchema is PostgreSQL's name for the session's own temporary tables.
const freshSchema = "pg_temp"

// only lists rows that a table has in one schema and not in the other.
func only(ctx context.Context, tx pgx.Tx, table, side, in, notIn string) ([]Difference, error) {
	sql := fmt.Sprintf("SELECT r::text FROM (TABLE %[1]s.%[3]s EXCEPT ALL TABLE %[2]s.%[3]s) AS r LIMIT %[4]d", in, notIn, table, diffLimit)
	rows, err := textsOf(ctx, tx, sql)
	if err != nil {
		return nil, fmt.Errorf("compare %s: %w", table, err)
	}
	var found []Difference
	for _, row := range rows {
		found = append(found, Difference{Table: table, Side: side, Row: row})
	}
	return found, nil
}
