package projections

import (
	"context"
	"time"

	"github.com/jackc/pgx/v5"

	"firstout/internal/events"
)

var (
	touchedBy  = query("touched")
	dueBetween = query("due")
)

// Touch is a thing that an event touched at a place: its stock moved there, or it stands there and something else
// about it changed.
type Touch struct {
	Position int64
	Place    string // of a charge, its vat
	Code     events.Code
}

// Touched tells what events that follow one another in the log touched, by position, place and code.
func Touched(ctx context.Context, q Querier, recorded []events.Recorded) ([]Touch, error) {
	if len(recorded) == 0 {
		return nil, nil
	}
	var positions []int64
	var codes []events.Code
	var corrects []bool
	for _, r := range recorded {
		_, correction := r.Data.(events.CommandCorrected)
		for _, code := range r.Codes() {
			positions, codes, corrects = append(positions, r.Position), append(codes, code), append(corrects, correction)
		}
	}
	return collect(ctx, q, pgx.RowToStructByName[Touch], "find what events touched", touchedBy,
		positions, codes, recorded[0].Position, recorded[len(recorded)-1].Position, corrects)
}

// Due is a date of a thing in stock at the instant at which it fell due.
type Due struct {
	At      time.Time // UTC
	Discard bool      // its discard_by, else its ends_by
	Code    events.Code
	Place   string
}

// DueBetween tells the dates of what is in stock that fell due after one instant and up to another, in their order.
// There are at most two for each line of stock.
func DueBetween(ctx context.Context, q Querier, after, until time.Time) ([]Due, error) {
	return collect(ctx, q, func(row pgx.CollectableRow) (Due, error) {
		d, err := pgx.RowToStructByName[Due](row)
		d.At = d.At.UTC()
		return d, err
	}, "find what fell due", dueBetween, after, until)
}
