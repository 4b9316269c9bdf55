package projections

import (
	"context"
	"fmt"
	"strings"

	"github.com/jackc/pgx/v5"
)

// The schemas of the tables: those in use, those being folded beside them, and those just replaced.
const (
	liveSchema     = "public"
	besideSchema   = "firstout_rebuilding"
	replacedSchema = "firstout_replaced"
)

var (
	besideTables  = query("beside_tables")
	besideIndexes = query("beside_indexes")
)

// makeTables makes empty tables without keys and indexes beside those in use, and gives the statements that add
// these. What an earlier rebuild that was cut short has left is dropped.
func makeTables(ctx context.Context, db *pgx.Conn) (indexes []string, err error) {
	if err := dropReplaced(ctx, db); err != nil {
		return nil, err
	}
	for _, sql := range []string{
		"DROP SCHEMA IF EXISTS " + besideSchema + " CASCADE",
		"CREATE SCHEMA " + besideSchema,
	} {
		if _, err := db.Exec(ctx, sql); err != nil {
			return nil, fmt.Errorf("make a schema for the tables (it takes the right to CREATE in this database): %w", err)
		}
	}
	statements, err := textsOf(ctx, db, besideTables, tables, liveSchema, besideSchema)
	if err != nil {
		return nil, fmt.Errorf("look at the tables in use: %w", err)
	}
	if err := execAll(ctx, db, statements); err != nil {
		return nil, err
	}
	indexes, err = textsOf(ctx, db, besideIndexes, tables, liveSchema, besideSchema)
	return indexes, wrap(err, "look at the indexes in use")
}

// dropReplaced drops the tables that were replaced, each by itself. A reader with a plan from before the swap locks all
// the old tables of that plan before it sees that they are not those in use any more: a single statement that drops them
// all would wait for it at one while it waits at another.
func dropReplaced(ctx context.Context, db *pgx.Conn) error {
	var statements []string
	for _, table := range tables {
		statements = append(statements, "DROP TABLE IF EXISTS "+replacedSchema+"."+table)
	}
	return execAll(ctx, db, append(statements, "DROP SCHEMA IF EXISTS "+replacedSchema))
}

func textsOf(ctx context.Context, q Querier, sql string, args ...any) ([]string, error) {
	rows, err := q.Query(ctx, sql, args...)
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, pgx.RowTo[string])
}

func execAll(ctx context.Context, db *pgx.Conn, statements []string) error {
	for _, sql := range statements {
		if _, err := db.Exec(ctx, sql); err != nil {
			return fmt.Errorf("%s: %w", sql, err)
		}
	}
	return nil
}

// rename puts the tables beside in the place of those in use. It waits at most so long (a PostgreSQL duration) for
// each table: whoever wants to read it stands behind meanwhile.
func rename(ctx context.Context, tx pgx.Tx, wait string) error {
	var inUse []string
	for _, table := range tables {
		inUse = append(inUse, liveSchema+"."+table)
	}
	statements := []string{
		"SET LOCAL lock_timeout = '" + wait + "'",
		"LOCK TABLE " + strings.Join(inUse, ", ") + " IN ACCESS EXCLUSIVE MODE",
		"CREATE SCHEMA " + replacedSchema,
	}
	for _, table := range tables {
		statements = append(statements,
			"ALTER TABLE "+liveSchema+"."+table+" SET SCHEMA "+replacedSchema,
			"ALTER TABLE "+besideSchema+"."+table+" SET SCHEMA "+liveSchema)
	}
	statements = append(statements, "DROP SCHEMA "+besideSchema)
	return execAll(ctx, tx.Conn(), statements)
}
