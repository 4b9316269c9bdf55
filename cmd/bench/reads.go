package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"time"

	"github.com/jackc/pgx/v5/pgxpool"

	"firstout/internal/civil"
	"firstout/internal/events/eventlog"
	"firstout/internal/generate"
)

// askedTimes is how often each question is asked of each book.
const askedTimes = 300

// reads asks the questions that are asked all day of several generated books in turn, and tells how long each takes, and how
// many times as long as of the first.
func reads(ctx context.Context, addresses []string, out io.Writer) error {
	if len(addresses) == 0 {
		return errors.New("bench reads DATABASE_URL ...: name the databases of some generated books, the one to compare with first")
	}
	var books [][]generate.Read
	for _, address := range addresses {
		pool, err := pgxpool.New(ctx, address)
		if err != nil {
			return fmt.Errorf("the database's address: %w", err)
		}
		defer pool.Close()
		head, err := eventlog.ReadHead(ctx, pool)
		if err != nil {
			return err
		}
		found, err := generate.Reads(ctx, pool, civil.DayOf(head.RecordedAt, time.UTC))
		if err != nil {
			return err
		}
		fmt.Fprintf(out, "book %d: %d events\n", len(books)+1, head.Position)
		books = append(books, found)
	}
	medians, err := generate.Measure(ctx, time.Now, askedTimes, books...)
	if err != nil {
		return err
	}
	for i, read := range books[0] {
		fmt.Fprintf(out, "%-22s", read.Name)
		for _, median := range medians[i] {
			fmt.Fprintf(out, "  %6.2f ms (%.2f)", float64(median.Microseconds())/1000, float64(median)/float64(medians[i][0]))
		}
		fmt.Fprintln(out)
	}
	return nil
}
