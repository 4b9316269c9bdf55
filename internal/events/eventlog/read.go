package eventlog

import (
	"context"
	"fmt"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgtype"

	"firstout/internal/events"
)

// MaxRead bounds one Read: a page of the API's largest size and one more, which tells that there is a next page.
const MaxRead = 501

// Filter says which events to read. The zero of a field leaves it out.
type Filter struct {
	After int64       // exclusive
	Type  string      // one event type
	Code  events.Code // what the event must concern
	Limit int         // at most MaxRead, which the zero means too
}

// Stored is an event with the very bytes that were written, which a changed program reads but never writes anew.
type Stored struct {
	events.Recorded
	Canonical string // RFC 8785
}

// Read gives the events that a filter lets through, in the order of positions.
func Read(ctx context.Context, q Querier, f Filter) ([]Stored, error) {
	limit := f.Limit
	if limit <= 0 || limit > MaxRead {
		limit = MaxRead
	}
	sql, args := `SELECT canonical FROM log WHERE position > $1`, []any{f.After, limit}
	switch {
	case f.Code != "" && f.Type != "":
		sql, args = `SELECT canonical FROM event_codes JOIN log USING (position) WHERE position > $1 AND code = $3 AND type = $4`, append(args, f.Code, f.Type)
	case f.Code != "":
		sql, args = `SELECT canonical FROM event_codes JOIN log USING (position) WHERE position > $1 AND code = $3`, append(args, f.Code)
	case f.Type != "":
		sql, args = sql+` AND type = $3`, append(args, f.Type)
	}
	rows, err := q.Query(ctx, sql+` ORDER BY position LIMIT $2`, args...)
	if err != nil {
		return nil, fmt.Errorf("read the log after %d: %w", f.After, err)
	}
	stored, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (Stored, error) {
		var text string
		if err := row.Scan(&text); err != nil {
			return Stored{}, err
		}
		r, err := events.ParseCanonical([]byte(text))
		return Stored{Recorded: r, Canonical: text}, err
	})
	if err != nil {
		return nil, fmt.Errorf("read the log after %d: %w", f.After, err)
	}
	return stored, nil
}

// Stream hands every event after a position to each, in order, as the log stood when it began; it holds one event at
// a time. An error of each ends it. The querier can do nothing else meanwhile if it is a connection or a transaction.
func Stream(ctx context.Context, q Querier, after int64, each func(events.Recorded) error) error {
	rows, err := q.Query(ctx, `SELECT canonical FROM log WHERE position > $1 ORDER BY position`, after)
	if err != nil {
		return fmt.Errorf("stream the log after %d: %w", after, err)
	}
	var text []byte
	_, err = pgx.ForEachRow(rows, []any{(*pgtype.DriverBytes)(&text)}, func() error {
		r, err := events.ParseCanonical(text)
		if err != nil {
			return err
		}
		return each(r)
	})
	if err != nil {
		return fmt.Errorf("stream the log after %d: %w", after, err)
	}
	return nil
}
