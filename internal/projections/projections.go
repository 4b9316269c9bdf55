// Package projections keeps the tables that are derived from the log: it loads the working set of a command and
// saves what the command changed, answers questions, and folds any table anew beside the live one. It decides
// nothing and works out nothing that package workshop does; it does not know HTTP.
package projections

import (
	"context"
	"embed"
	"errors"
	"fmt"
	"strings"

	"github.com/jackc/pgx/v5"
)

// Querier only reads: a pool, a connection or a transaction.
type Querier interface {
	Query(ctx context.Context, sql string, args ...any) (pgx.Rows, error)
	QueryRow(ctx context.Context, sql string, args ...any) pgx.Row
	SendBatch(ctx context.Context, b *pgx.Batch) pgx.BatchResults
}

//go:embed queries/*.sql
var queryFiles embed.FS

// statements are the texts that are sent to PostgreSQL, by the names of the files they were made of. A test
// prepares each of them.
var statements = map[string]string{}

// query gives the statement of a file; where several are named, those before the last are WITH clauses that it
// builds upon.
func query(names ...string) string {
	var parts []string
	for _, name := range names {
		text, err := queryFiles.ReadFile("queries/" + name + ".sql")
		if err != nil {
			panic(fmt.Errorf("no query %s: %w", name, err)) // found at the program's start, by any test
		}
		parts = append(parts, strings.TrimSuffix(strings.TrimSpace(string(text)), ";"))
	}
	text := strings.Join(parts, "\n")
	statements[strings.Join(names, "+")] = text
	return text
}

// errUnknownKind says that a code is of a kind that this program keeps no state of.
var errUnknownKind = errors.New("of a kind that this program does not know")

func wrap(err error, doing string) error {
	if err == nil {
		return nil
	}
	return fmt.Errorf("%s: %w", doing, err)
}
