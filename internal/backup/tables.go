package backup

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"

	"github.com/jackc/pgx/v5"

	"firstout/internal/events/export"
)

// tables are what belongs to no position, cannot be derived and is small, in an order in which it can be written: a table
// stands behind those that its rows name. Their rows go into the file with whatever columns they have.
//
// People are among them, as far as they were not erased by then. So are API keys: events name them by their ids, a revoked one
// stays revoked, and a till goes on with its key. What is kept of a key is a hash of 128 random bits, which opens nothing.
var tables = []string{"people", "api_keys"}

// rowsOf gives the rows of all of them.
func rowsOf(ctx context.Context, tx pgx.Tx) (records []export.Record, err error) {
	if _, err := tx.Exec(ctx, "SET LOCAL timezone = 'UTC'"); err != nil { // or times would be told in another's
		return nil, fmt.Errorf("read the tables: %w", err)
	}
	for _, table := range tables {
		rows, err := tx.Query(ctx, "SELECT to_jsonb(t)::text FROM "+table+" t ORDER BY id")
		if err != nil {
			return nil, fmt.Errorf("read %s: %w", table, err)
		}
		texts, err := pgx.CollectRows(rows, pgx.RowTo[string])
		if err != nil {
			return nil, fmt.Errorf("read %s: %w", table, err)
		}
		for _, text := range texts {
			records = append(records, export.Row{Table: table, Row: json.RawMessage(text)})
		}
	}
	return records, nil
}

// A ColumnError says that a file has something of a row that the table has no place for.
type ColumnError struct{ Table, Column string }

func (e *ColumnError) Error() string {
	if e.Column == "" {
		return fmt.Sprintf("the file has rows of table %s, which this program does not know: use a newer one", e.Table)
	}
	return fmt.Sprintf("the file has rows of table %s with a column %s, which this program does not know: use a newer one", e.Table, e.Column)
}

// writeRow puts a row into its table as it was.
func writeRow(ctx context.Context, tx pgx.Tx, r export.Row) error {
	for _, table := range tables {
		if table != r.Table {
			continue
		}
		var column string
		err := tx.QueryRow(ctx, `
			SELECT key FROM jsonb_object_keys($1::jsonb) AS key
			WHERE NOT EXISTS (SELECT FROM pg_attribute WHERE attrelid = $2::regclass AND attname = key AND attnum > 0 AND NOT attisdropped)`,
			string(r.Row), table).Scan(&column)
		switch {
		case err == nil:
			return &ColumnError{Table: table, Column: column}
		case !errors.Is(err, pgx.ErrNoRows):
			return fmt.Errorf("write a row of %s: %w", table, err)
		}
		if _, err := tx.Exec(ctx, "INSERT INTO "+table+" SELECT * FROM jsonb_populate_record(NULL::"+table+", $1::jsonb)", string(r.Row)); err != nil {
			return fmt.Errorf("write a row of %s: %w", table, err)
		}
		return nil
	}
	return &ColumnError{Table: r.Table}
}
