package projections

import (
	"context"
	"time"

	"github.com/jackc/pgx/v5"

	"firstout/internal/civil"
	"firstout/internal/events"
)

var candidates = query("candidates")

// Candidate is pieces of a run, or of a part of one, that stood released at a place.
type Candidate struct {
	Code     events.Code
	Of       events.Code // of a part, the run
	Place    string
	Grade    string
	DateKind string // "" where there is no date
	Date     *civil.Day
	Held     bool  // now
	Weight   int64 // pieces × microseconds; where from and to are one instant, pieces
	Sold     int64 // there, from then to then
	Presumed int64 // of these, the pieces that the book presumed to be of this run
}

// Candidates finds the pieces of a design that stood released at some places between two instants, both inclusive, and
// what the book sold of them, in code order. What it reads does not grow with the age of the book: the lines of stock
// that can have stood there in those days, and their movements.
func Candidates(ctx context.Context, q Querier, design string, from, to time.Time, places []string) ([]Candidate, error) {
	return collect(ctx, q, pgx.RowToStructByName[Candidate], "find where a piece of "+design+" may have come from",
		candidates, design, from, to, places)
}
