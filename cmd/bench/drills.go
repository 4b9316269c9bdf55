package main

import (
	"context"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"io"
	"net/http"
	"time"

	"github.com/google/uuid"

	"firstout/internal/book"
	"firstout/internal/civil"
	"firstout/internal/events"
	"firstout/internal/events/eventlog"
	"firstout/internal/generate"
	"firstout/internal/workshop"
)

// drills opens recall drills of one delivery of cream in a generated book, end to end: decided, written down, committed and
// answered with the account. It writes into the book.
func drills(ctx context.Context, args []string, out io.Writer) error {
	flags := flag.NewFlagSet("bench drills", flag.ContinueOnError)
	flags.SetOutput(out)
	times := flags.Int("times", 20, "how many drills")
	flags.Usage = func() {
		fmt.Fprintln(out, "bench drills [flags] DATABASE_URL opens recall drills in a generated book. It writes into it: use a copy.")
		flags.PrintDefaults()
	}
	if err := flags.Parse(args); err != nil {
		return err
	}
	if flags.NArg() != 1 || *times < 1 {
		return errors.New("name the database of one generated book; -times is 1 or more")
	}
	pool, err := connect(ctx, flags.Arg(0))
	if err != nil {
		return err
	}
	defer pool.Close()
	head, err := eventlog.ReadHead(ctx, pool)
	if err != nil {
		return err
	}
	of, err := generate.SubjectsOf(ctx, pool, civil.DayOf(head.RecordedAt, time.UTC), nil)
	if err != nil {
		return err
	}
	b, err := book.Open(ctx, pool, book.Options{Clock: time.Now})
	if err != nil {
		return err
	}
	defer b.Close()
	drill := generate.Read{Name: "a drill", Ask: func(ctx context.Context) (sold int, err error) {
		_, err = b.Do(ctx, book.Request{
			Command: workshop.OpenRecall{Code: of.Lot, Reach: workshop.ReachMayContain, Drill: true, Reason: "an exercise"},
			Key:     uuid.NewString(),
			Actor:   workshop.Actor{ID: uuid.Nil.String(), Roles: []string{"owner"}},
			Render: func(answer any, _ []events.Recorded) (int, []byte, error) {
				account := answer.(workshop.RecallAnswer).Account
				sold = len(account.Sales)
				body, err := json.Marshal(account)
				return http.StatusCreated, body, err
			},
		})
		return sold, err
	}}
	took, err := generate.Measure(ctx, time.Now, *times, time.Minute, drill)
	if err != nil {
		return err
	}
	fmt.Fprintf(out, "drills of %s, %d sales: p50 %.1f ms, p99 %.1f ms\n", of.Lot, took[0].Rows, milliseconds(took[0].P50), milliseconds(took[0].P99))
	return nil
}
