package main

import (
	"context"
	"fmt"
	"io"

	"github.com/jackc/pgx/v5/pgxpool"

	"firstout/internal/projections"
)

// rebuild works out every derived table anew from the log, beside the ones in use, and swaps them.
func rebuild(ctx context.Context, args, environ []string, out io.Writer) error {
	return withDatabase(ctx, "rebuild", args, environ, out, nil, func(db *database, _ []string) error {
		return db.asOwner(ctx, func(owner *pgxpool.Pool) error {
			done, err := projections.Rebuild(ctx, owner)
			if err != nil {
				return err
			}
			_, err = fmt.Fprintf(out, "rebuilt from %d events and swapped in\n", done.Position)
			return err
		})
	})
}
