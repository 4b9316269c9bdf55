package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"strings"
	"time"

	"github.com/jackc/pgx/v5/pgxpool"

	"firstout/internal/civil"
	"firstout/internal/events/eventlog"
	"firstout/internal/generate"
	"firstout/internal/projections"
)

// reads asks the questions that are asked all day, and the floors under them, of several generated books in turn, and tells
// how long each takes: beside a bare round trip, beside the floors, and beside the same question of the first book.
func reads(ctx context.Context, args []string, out io.Writer) error {
	flags := flag.NewFlagSet("bench reads", flag.ContinueOnError)
	flags.SetOutput(out)
	times := flags.Int("times", 300, "how often each question is asked of each book")
	most := flags.Duration("each", 20*time.Second, "for how long each question is asked at most, once it was asked six times")
	flags.Usage = func() {
		fmt.Fprintln(out, "bench reads [flags] DATABASE_URL ... measures generated books, the one to compare with first. It only reads.")
		flags.PrintDefaults()
	}
	if err := flags.Parse(args); err != nil {
		return err
	}
	if flags.NArg() == 0 || *times < 1 {
		return errors.New("name the databases of some generated books, the one to compare with first; -times is 1 or more")
	}
	var books []asked
	for n, address := range flags.Args() {
		pool, err := connect(ctx, address)
		if err != nil {
			return err
		}
		defer pool.Close()
		book, err := ask(ctx, pool, books)
		if err != nil {
			return err
		}
		fmt.Fprintf(out, "Book %d: %d events; asked of %s and %s, and of %s and %s, which are as like as can be in all books.\n",
			n+1, book.head.Position, book.of.Run, book.of.Lot, book.of.RunAlike, book.of.LotAlike)
		books = append(books, book)
	}
	return compare(ctx, out, *times, *most, books)
}

// asked is a book with what is asked of it.
type asked struct {
	head      eventlog.Head
	of        generate.Subjects
	roundTrip generate.Read
	reads     []generate.Read
	floors    map[string]floors
}

func ask(ctx context.Context, pool *pgxpool.Pool, before []asked) (asked, error) {
	head, err := eventlog.ReadHead(ctx, pool)
	if err != nil {
		return asked{}, err
	}
	var like *generate.Subjects
	if len(before) > 0 {
		like = &before[0].of
	}
	of, err := generate.SubjectsOf(ctx, pool, civil.DayOf(head.RecordedAt, time.UTC), like)
	if err != nil {
		return asked{}, err
	}
	defs, err := projections.LoadDefinitions(ctx, pool)
	if err != nil {
		return asked{}, err
	}
	reads := append(generate.Reads(pool, of), recalled(pool, defs, openDrill, of.Lot), recalled(pool, defs, openDrillAlike, of.LotAlike))
	return asked{head: head, of: of, roundTrip: bare(pool, "SELECT 1"), reads: reads, floors: floorsOf(pool, of)}, nil
}

// compare measures one question after the other, each in turn in all books with its floors, so that whatever else the
// machine does meets all alike; and writes a table for each book.
func compare(ctx context.Context, out io.Writer, times int, most time.Duration, books []asked) error {
	tables := make([]strings.Builder, len(books))
	for i, read := range books[0].reads {
		var inTurn []generate.Read
		for _, book := range books {
			inTurn = append(inTurn, book.roundTrip)
			if under, are := book.floors[read.Name]; are {
				inTurn = append(inTurn, under.codes, under.rows)
			}
			inTurn = append(inTurn, book.reads[i])
		}
		took, err := generate.Measure(ctx, time.Now, times, most, inTurn...)
		if err != nil {
			return err
		}
		each := len(inTurn) / len(books)
		first := took[each-1]
		for n := range books {
			of := took[n*each : (n+1)*each]
			trip, question, under := of[0], of[each-1], "| | | |"
			if each > 2 {
				under = fmt.Sprintf("%.2f | %.2f | %.2f | %.2f |", ratio(question.P50, of[1].P50), ratio(question.P99, of[1].P99),
					ratio(question.P50, of[2].P50), ratio(question.P99, of[2].P99))
			}
			fmt.Fprintf(&tables[n], "| %s | %d | %.2f | %.2f | %.1f | %s %.2f | %.2f |\n", read.Name, question.Rows, milliseconds(question.P50),
				milliseconds(question.P99), ratio(question.P50, trip.P50), under, ratio(question.P50, first.P50), ratio(question.P99, first.P99))
		}
	}
	for n := range tables {
		fmt.Fprintf(out, "\nBook %d\n\n| question | rows | p50 ms | p99 ms | p50 × `SELECT 1` | p50 × codes | p99 × codes | p50 × rows | p99 × rows | p50 × book 1 | p99 × book 1 |\n|---|---|---|---|---|---|---|---|---|---|---|\n%s",
			n+1, tables[n].String())
	}
	return nil
}

// connect opens connections as the API does.
func connect(ctx context.Context, address string) (*pgxpool.Pool, error) {
	config, err := pgxpool.ParseConfig(address)
	if err != nil {
		return nil, fmt.Errorf("the database's address: %w", err)
	}
	config.ConnConfig.RuntimeParams["jit"] = "off"
	pool, err := pgxpool.NewWithConfig(ctx, config)
	if err != nil {
		return nil, fmt.Errorf("connect: %w", err)
	}
	return pool, nil
}

func milliseconds(d time.Duration) float64 { return float64(d.Microseconds()) / 1000 }

func ratio(a, b time.Duration) float64 { return float64(a) / float64(b) }
