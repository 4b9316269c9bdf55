package projections

import (
	"context"
	"time"

	"github.com/jackc/pgx/v5"
)

var markNow = query("mark")

// Mark is where the book stands at one moment.
type Mark struct {
	Position      int64
	DefinitionsAt int64 // position of the newest definition
	Epoch         string
	RecordedAt    time.Time  // of the last event
	Now           time.Time  // the book's time
	NextDue       *time.Time // when the next date of anything in stock falls due
}

// ReadMark reads where the book stands. clock is the time on the wall; manual says that the book's own clock counts
// where it has one.
func ReadMark(ctx context.Context, q Querier, clock time.Time, manual bool) (Mark, error) {
	rows, err := q.Query(ctx, markNow, clock, manual)
	if err != nil {
		return Mark{}, wrap(err, "read where the book stands")
	}
	mark, err := pgx.CollectExactlyOneRow(rows, pgx.RowToStructByName[Mark])
	mark.RecordedAt, mark.Now, mark.NextDue = mark.RecordedAt.UTC(), mark.Now.UTC(), utc(mark.NextDue)
	return mark, wrap(err, "read where the book stands")
}
