package projections

import (
	"context"
	"fmt"

	"github.com/jackc/pgx/v5"
)

var (
	saveDefinitions = query("save_definitions")
	saveThings      = query("save_things")
	saveStock       = query("save_stock")
	saveVats        = query("save_vats")
	saveHolds       = query("save_holds")
	saveDeviations  = query("save_deviations")
	saveRecalls     = query("save_recalls")
	saveSequences   = query("save_sequences")
	saveMovements   = query("save_movements")
	saveEdges       = query("save_edges")
	saveOps         = query("save_ops")
	saveReadings    = query("save_readings")
	saveDailySales  = query("save_daily_sales")
	saveCorrections = query("save_corrections")
)

// tables are the derived tables. A rebuild makes all of them anew.
var tables = []string{
	"definitions", "things", "stock", "vats", "holds", "deviations", "recalls", "sequences", "movements", "edges", "charge_ops",
	"readings", "daily_sales", "corrections",
}

// rows are rows of one table on their way in, held by column: whole columns for unnest, one row at a time for
// COPY. save is the statement that takes the columns, in their order.
type rows struct {
	table   string
	save    string
	columns []column
}

type column struct {
	name string
	list list
}

// list is a column's values, of one type.
type list interface {
	len() int
	at(i int) any
	array() any
}

type values[T any] []T

func (v values[T]) len() int     { return len(v) }
func (v values[T]) at(i int) any { return v[i] }
func (v values[T]) array() any   { return []T(v) }

func texts(n int) values[string] { return make(values[string], n) }

func (r rows) len() int { return r.columns[0].list.len() }

func (r rows) arrays() []any {
	var arrays []any
	for _, c := range r.columns {
		arrays = append(arrays, c.list.array())
	}
	return arrays
}

// copyFrom is what can take a COPY.
type copyFrom interface {
	CopyFrom(ctx context.Context, table pgx.Identifier, columns []string, from pgx.CopyFromSource) (int64, error)
}

// copyInto writes the rows into the table of that name in a schema that has no such rows yet.
func (r rows) copyInto(ctx context.Context, db copyFrom, schema string) error {
	var names []string
	for _, c := range r.columns {
		names = append(names, c.name)
	}
	next := func(i int) ([]any, error) {
		row := make([]any, len(r.columns))
		for j, c := range r.columns {
			row[j] = c.list.at(i)
		}
		return row, nil
	}
	if _, err := db.CopyFrom(ctx, pgx.Identifier{schema, r.table}, names, pgx.CopyFromSlice(r.len(), next)); err != nil {
		return fmt.Errorf("copy %s: %w", r.table, err)
	}
	return nil
}
