package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"time"

	"github.com/jackc/pgx/v5/pgxpool"

	"firstout/internal/civil"
	"firstout/internal/events/eventlog"
	"firstout/internal/generate"
	"firstout/internal/projections"
	"firstout/migrations"
)

// written writes a book of so many days into an empty database, which becomes a test book for ever.
func written(ctx context.Context, args []string, out io.Writer) error {
	size, until := generate.Size{}, ""
	flags := flag.NewFlagSet("bench generate", flag.ContinueOnError)
	flags.SetOutput(out)
	flags.IntVar(&size.Days, "days", 7, "how many days, up to ten years")
	flags.IntVar(&size.RunsPerDay, "runs-per-day", 40, "how many runs are moulded on a day")
	flags.IntVar(&size.SalesPerDay, "sales-per-day", 2700, "how many sales there are on a day, of 2.5 pieces on average")
	flags.Uint64Var(&size.Seed, "seed", 1, "the same seed gives the same book")
	flags.StringVar(&until, "until", "2026-11-24", "the last of the days")
	flags.Usage = func() {
		fmt.Fprintln(out, "bench generate [flags] DATABASE_URL writes a test book into an empty database; the role must own it.")
		flags.PrintDefaults()
	}
	if err := flags.Parse(args); err != nil {
		return err
	}
	var err error
	if size.Until, err = civil.ParseDay(until); err != nil {
		return fmt.Errorf("until: %w", err)
	}
	switch {
	case flags.NArg() != 1:
		return errors.New("name the address of one database, after the flags")
	case size.Days < 1 || size.Days > 3660 || size.RunsPerDay < 1 || size.RunsPerDay > 500 || size.SalesPerDay < 0 || size.SalesPerDay > 100_000:
		return errors.New("days are 1 to 3660, runs a day 1 to 500, sales a day at most 100000")
	}
	return write(ctx, flags.Arg(0), size, out)
}

func write(ctx context.Context, address string, size generate.Size, out io.Writer) error {
	pool, err := pgxpool.New(ctx, address)
	if err != nil {
		return fmt.Errorf("the database's address: %w", err)
	}
	defer pool.Close()
	if err := migrations.Up(ctx, pool); err != nil {
		return err
	}
	if err := eventlog.MarkBook(ctx, pool, eventlog.BookTest); err != nil {
		return err
	}
	began := time.Now()
	told := began
	var head eventlog.Head
	err = projections.WriteBulk(ctx, pool, func(book *projections.Bulk) error {
		err := generate.Play(ctx, book, size, func(days int) {
			if time.Since(told) > 10*time.Second {
				told = time.Now()
				fmt.Fprintf(out, "%d of %d days, %d events\n", days, size.Days, book.Head().Position)
			}
		})
		head = book.Head()
		return err
	})
	if err != nil {
		return err
	}
	var large string
	if err := pool.QueryRow(ctx, "SELECT pg_size_pretty(pg_database_size(current_database()))").Scan(&large); err != nil {
		return fmt.Errorf("ask how large the book is: %w", err)
	}
	took := time.Since(began)
	_, err = fmt.Fprintf(out, "%d events in %s, %.0f a second; the database has %s\n", head.Position, took.Round(time.Second), float64(head.Position)/took.Seconds(), large)
	return err
}
