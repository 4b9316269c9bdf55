package eventlog

import (
	"context"
	"fmt"

	"github.com/jackc/pgx/v5"

	"firstout/internal/events"
)

// shapes gives the first event of every type, and of every later version of it, with a look into an index for each.
const shapes = `
WITH RECURSIVE types AS (
    (SELECT type FROM log ORDER BY type LIMIT 1)
    UNION ALL
    SELECT n.type FROM types t, LATERAL (SELECT type FROM log WHERE type > t.type ORDER BY type LIMIT 1) n
),
later AS (
    (SELECT type, version FROM log WHERE version > 1 ORDER BY type, version LIMIT 1)
    UNION ALL
    SELECT n.type, n.version FROM later l, LATERAL (
        SELECT type, version FROM log WHERE version > 1 AND (type, version) > (l.type, l.version) ORDER BY type, version LIMIT 1) n
)
SELECT t.type, f.version, f.position
FROM types t, LATERAL (SELECT version, position FROM log WHERE type = t.type ORDER BY position LIMIT 1) f
UNION ALL
SELECT l.type, l.version, f.position
FROM later l, LATERAL (
    SELECT position FROM log WHERE version > 1 AND type = l.type AND version = l.version ORDER BY position LIMIT 1) f
ORDER BY 3`

// CheckKnown looks whether this program knows every type and version of event that the log has. The error names the first
// that it does not, a *events.UnknownError: whoever went on would fold a book in which that had not happened, or stop
// half-way.
func CheckKnown(ctx context.Context, q Querier) error {
	rows, err := q.Query(ctx, shapes)
	if err != nil {
		return fmt.Errorf("look for events that this program does not know: %w", err)
	}
	var eventType string
	var version int
	var position int64
	_, err = pgx.ForEachRow(rows, []any{&eventType, &version, &position}, func() error {
		if !events.Knows(eventType, version) {
			return fmt.Errorf("position %d: %w", position, &events.UnknownError{Type: eventType, Version: version})
		}
		return nil
	})
	if err != nil {
		return fmt.Errorf("this program cannot open the book: %w", err)
	}
	return nil
}
