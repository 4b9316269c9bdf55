package eventlog

import (
	"context"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgtype"
)

// inOrder gives each event with the answer to its command if it is the command's first. OFFSET keeps the look-up of the
// answer one by key for each event: joined as a whole, both tables would be sorted before the first row came.
const inOrder = `
SELECT l.canonical, c.key, c.request_hash, c.status, c.answer, c.recorded_at
FROM log l
LEFT JOIN LATERAL (
    SELECT * FROM commands WHERE key = l.key COLLATE "C" AND first_position = l.position AND l.command = l.id OFFSET 0
) c ON true
WHERE l.position > $1
ORDER BY l.position`

// Carry hands every event after a position to each, in order, with the answer to the command whose first event it is; nil
// where it is not, or the command is a definition. It holds one at a time, which each may not keep.
func Carry(ctx context.Context, tx pgx.Tx, after int64, each func(canonical []byte, answer *Answered) error) error {
	if _, err := tx.Exec(ctx, `SET LOCAL enable_sort = off`); err != nil {
		return fmt.Errorf("carry the log away: %w", err)
	}
	rows, err := tx.Query(ctx, inOrder, after)
	if err != nil {
		return fmt.Errorf("carry the log away: %w", err)
	}
	var canonical []byte
	var key, body *string
	var hash []byte
	var status *int
	var recordedAt *time.Time
	position := after
	_, err = pgx.ForEachRow(rows, []any{(*pgtype.DriverBytes)(&canonical), &key, &hash, &status, &body, &recordedAt}, func() error {
		position++
		if key == nil {
			return each(canonical, nil)
		}
		return each(canonical, &Answered{
			Key: *key, RequestHash: hash, Status: *status, Body: []byte(*body), FirstPosition: position, RecordedAt: recordedAt.UTC(),
		})
	})
	if err != nil {
		return fmt.Errorf("carry the log away: %w", err)
	}
	return nil
}

// AnswersWithoutEvents gives the answers to commands that needed no event, by key, and how many answers there are with the
// others.
func AnswersWithoutEvents(ctx context.Context, q Querier) (answers []Answered, all int64, err error) {
	if err := q.QueryRow(ctx, `SELECT count(*) FROM commands`).Scan(&all); err != nil {
		return nil, 0, fmt.Errorf("read the answers: %w", err)
	}
	rows, err := q.Query(ctx, `SELECT key, request_hash, status, answer, recorded_at FROM commands WHERE first_position IS NULL ORDER BY key`)
	if err != nil {
		return nil, 0, fmt.Errorf("read the answers: %w", err)
	}
	answers, err = pgx.CollectRows(rows, func(row pgx.CollectableRow) (a Answered, err error) {
		var body string
		err = row.Scan(&a.Key, &a.RequestHash, &a.Status, &body, &a.RecordedAt)
		a.Body, a.RecordedAt = []byte(body), a.RecordedAt.UTC()
		return a, err
	})
	if err != nil {
		return nil, 0, fmt.Errorf("read the answers: %w", err)
	}
	return answers, all, nil
}
