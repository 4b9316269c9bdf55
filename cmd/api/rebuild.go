package main

import (
	"context"
	"flag"
	"fmt"
	"io"

	"github.com/jackc/pgx/v5/pgxpool"

	"firstout/internal/projections"
)

// rebuild works out every derived table anew from the log, beside the ones in use, and swaps them; with --check it
// only compares, row for row.
func rebuild(ctx context.Context, args, environ []string, out io.Writer) error {
	check := false
	of := subcommand{
		name: "rebuild", does: "work out every derived table anew from the log and swap it in",
		flags: func(flags *flag.FlagSet) {
			flags.BoolVar(&check, "check", false, "compare the tables in use with the log, row for row, and change nothing")
		},
	}
	return withDatabase(ctx, of, args, environ, out, func(db *database) error {
		return db.asOwner(ctx, func(owner *pgxpool.Pool) error {
			if check {
				return compare(ctx, owner, out)
			}
			done, err := projections.Rebuild(ctx, owner)
			if err != nil {
				return err
			}
			_, err = fmt.Fprintf(out, "rebuilt from %d events and swapped in\n", done.Position)
			return err
		})
	})
}

func compare(ctx context.Context, owner *pgxpool.Pool, out io.Writer) error {
	different, err := projections.Diff(ctx, owner)
	if err != nil {
		return err
	}
	for _, d := range different {
		fmt.Fprintf(out, "%s: only in the %s: %s\n", d.Table, d.Side, d.Row)
	}
	if len(different) > 0 {
		return fmt.Errorf("the derived tables are not what the log gives: run firstout rebuild")
	}
	_, err = fmt.Fprintln(out, "the derived tables are what the log gives, row for row")
	return err
}
