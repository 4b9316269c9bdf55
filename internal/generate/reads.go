package generate

import (
	"context"
	"fmt"
	"slices"
	"time"

	"firstout/internal/civil"
	"firstout/internal/events"
	"firstout/internal/projections"
	"firstout/internal/workshop"
)

// A Read is one of the questions that are asked all day.
type Read struct {
	Name string
	Ask  func(ctx context.Context) error
}

// Reads are the hot questions of a generated book, asked of what a shop asks them of: what stands on the counter, a run on
// it, and a delivery of cream of some days ago.
func Reads(ctx context.Context, q projections.Querier, until civil.Day) ([]Read, error) {
	run, err := one(ctx, q, "SELECT code FROM stock WHERE open AND place = $1 AND grade = 'first' ORDER BY ends_by DESC, code LIMIT 1", shelf)
	if err != nil {
		return nil, err
	}
	const mostlyUsed = `SELECT code FROM things
WHERE kind = 'lot' AND part = 0 AND subject = $1 AND occurred_at < (SELECT recorded_at FROM head) - interval '3 days'
ORDER BY day DESC, sequence DESC LIMIT 1`
	lot, err := one(ctx, q, mostlyUsed, "cream-35")
	if err != nil {
		return nil, err
	}
	then, err := lastWeek(ctx, q)
	if err != nil {
		return nil, err
	}
	return []Read{
		{"pick list", func(ctx context.Context) error {
			_, err := projections.PickLines(ctx, q, shelf, pieces[0].slug)
			return err
		}},
		{"board", func(ctx context.Context) error {
			if _, err := projections.BoardLines(ctx, q, shelf); err != nil {
				return err
			}
			_, err := projections.Demand(ctx, q, shelf, until)
			return err
		}},
		{"run back to its lots", func(ctx context.Context) error {
			_, err := projections.TraceBack(ctx, q, run)
			return err
		}},
		{"lot forward", func(ctx context.Context) error {
			_, err := projections.TraceForward(ctx, q, lot)
			return err
		}},
		{"stale labels", func(ctx context.Context) error {
			_, err := projections.LabelledCodes(ctx, q, nil)
			return err
		}},
		{"stock last week", func(ctx context.Context) error {
			_, err := then.Stock(ctx, projections.StockFilter{
				Place: shelf, Kinds: []events.Kind{events.KindRun, events.KindLot, events.KindGanache, events.KindBox}, Limit: 101,
			})
			return err
		}},
		{"balance last week", func(ctx context.Context) error {
			_, err := then.Balance(ctx, lot)
			return err
		}},
	}, nil
}

// lastWeek is the book a week before its end, as it was known then.
func lastWeek(ctx context.Context, q projections.Querier) (*projections.Past, error) {
	defs, err := projections.LoadDefinitions(ctx, q)
	if err != nil {
		return nil, err
	}
	var cut workshop.Cut
	if err := q.QueryRow(ctx, "SELECT recorded_at - interval '7 days' FROM head").Scan(&cut.At); err != nil {
		return nil, fmt.Errorf("find out when last week was: %w", err)
	}
	cut.Known, err = projections.PositionAt(ctx, q, cut.At)
	return projections.NewPast(q, defs, cut), err
}

func one(ctx context.Context, q projections.Querier, sql, about string) (code events.Code, err error) {
	if err := q.QueryRow(ctx, sql, about).Scan(&code); err != nil {
		return "", fmt.Errorf("find something of %s to ask about: %w", about, err)
	}
	return code, nil
}

// Measure asks the same questions of several books in turn, so many times each, and gives the median of each question in
// each book. clock is the time on the wall.
func Measure(ctx context.Context, clock func() time.Time, times int, books ...[]Read) ([][]time.Duration, error) {
	took := make([][][]time.Duration, len(books[0]))
	for i := range took {
		took[i] = make([][]time.Duration, len(books))
	}
	for range times {
		for i := range books[0] {
			for j, book := range books {
				began := clock()
				if err := book[i].Ask(ctx); err != nil {
					return nil, fmt.Errorf("%s: %w", book[i].Name, err)
				}
				took[i][j] = append(took[i][j], clock().Sub(began))
			}
		}
	}
	medians := make([][]time.Duration, len(took))
	for i := range took {
		for _, all := range took[i] {
			slices.Sort(all)
			medians[i] = append(medians[i], all[len(all)/2])
		}
	}
	return medians, nil
}
