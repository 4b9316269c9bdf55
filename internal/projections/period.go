package projections

import (
	"cmp"
	"context"
	"maps"
	"slices"
	"time"

	"github.com/jackc/pgx/v5"

	"firstout/internal/civil"
	"firstout/internal/events"
	"firstout/internal/workshop"
)

var (
	balancePeriod = query("balance_period")
	pastPeriod    = query("past_period")
)

// PeriodBalances draws up what came, what went and what was left of everything between two days of the sites' calendars,
// both inclusive: at some places, or with nil everywhere. What it reads grows with the time since the first day, and not
// with the time before it.
func PeriodBalances(ctx context.Context, q Querier, from, to civil.Day, places []string) ([]workshop.PeriodBalance, error) {
	rows, err := collect(ctx, q, scanPeriodRow, "draw up the balances of a period", balancePeriod, dateOf(from), dateOf(to), places)
	if err != nil {
		return nil, err
	}
	return workshop.PeriodBalances(rows), nil
}

// PeriodBalances is PeriodBalances under the cut: of a period that had not ended by then, up to then. What something late
// reached is folded; of everything else the book as it stands has what it was, and what it had by then.
func (p *Past) PeriodBalances(ctx context.Context, from, to civil.Day, places []string) ([]workshop.PeriodBalance, error) {
	if p.cut.Known == 0 {
		return nil, nil
	}
	moment, straddling, err := p.straddling(ctx)
	if err != nil {
		return nil, err
	}
	otherwise, err := p.otherwise(ctx)
	if err != nil {
		return nil, err
	}
	apart := slices.Collect(maps.Keys(otherwise))
	for _, code := range straddling {
		apart = append(apart, code.Whole())
	}
	slices.Sort(apart)
	apart = slices.Compact(apart)
	stems := make([]string, len(apart))
	for i, whole := range apart {
		stems[i] = stem(whole)
	}
	since := civil.DayOf(moment, time.UTC).AddDays(-1) // no site's day is earlier
	rows, err := collect(ctx, p.q, scanPeriodRow, "draw up the balances of a period as it was", pastPeriod,
		dateOf(from), dateOf(to), places, moment, dateOf(earlierDay(since, from)), stems)
	if err != nil {
		return nil, err
	}
	set, _, err := p.fold(ctx, apart, asking{})
	if err != nil {
		return nil, err
	}
	for _, m := range set.Movements {
		if places != nil && !slices.Contains(places, m.Place) {
			continue
		}
		if _, is := slices.BinarySearch(apart, m.Code.Whole()); is {
			rows = append(rows, periodRows(m, from, to)...)
		}
	}
	return workshop.PeriodBalances(rows), nil
}

func earlierDay(a, b civil.Day) civil.Day {
	if a.Before(b) {
		return a
	}
	return b
}

// periodRows is a movement as a part of what stands in the end, and of what came and went in a period or after it.
func periodRows(m workshop.Movement, from, to civil.Day) []workshop.PeriodRow {
	r := workshop.PeriodRow{Kind: m.Code.Kind(), Subject: cmp.Or(m.Subject, m.Place)}
	way := &r.Came
	if m.Delta < 0 {
		way = &r.Went
	}
	way.Mass = m.Weight
	if m.Grade != "" {
		way.Pieces = max(m.Delta, -m.Delta)
	}
	standing := r
	r.Cause, r.After = m.Cause, to.Before(m.Day)
	if m.Day.Before(from) {
		return []workshop.PeriodRow{standing}
	}
	return []workshop.PeriodRow{standing, r}
}

func scanPeriodRow(row pgx.CollectableRow) (workshop.PeriodRow, error) {
	var letter string
	var r workshop.PeriodRow
	err := row.Scan(&letter, &r.Subject, &r.Cause, &r.After, &r.Came.Pieces, &r.Went.Pieces, &r.Came.Mass, &r.Went.Mass)
	if letter != "" {
		r.Kind = events.Kind(letter[0])
	}
	return r, err
}
