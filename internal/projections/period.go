package projections

import (
	"context"

	"github.com/jackc/pgx/v5"

	"firstout/internal/civil"
	"firstout/internal/events"
	"firstout/internal/workshop"
)

var balancePeriod = query("balance_period")

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

func scanPeriodRow(row pgx.CollectableRow) (workshop.PeriodRow, error) {
	var letter string
	var r workshop.PeriodRow
	err := row.Scan(&letter, &r.Subject, &r.Cause, &r.After, &r.Came.Pieces, &r.Went.Pieces, &r.Came.Mass, &r.Went.Mass)
	if letter != "" {
		r.Kind = events.Kind(letter[0])
	}
	return r, err
}
