package eventlog

import (
	"context"
	"fmt"

	"github.com/jackc/pgx/v5"

	"firstout/internal/events"
)

// NotEmptyError says that a database that a book was to be put into has one already.
type NotEmptyError struct{ Has string }

func (e *NotEmptyError) Error() string {
	return fmt.Sprintf("this database has a book already (%s): name an empty one", e.Has)
}

// LockEmpty takes the head's lock in a database that has no book yet and gives the head; else it is a *NotEmptyError. A book
// that was only marked, as the one that is to be put there is, is empty. others are more tables that must be empty.
func LockEmpty(ctx context.Context, tx pgx.Tx, book string, others ...string) (Head, error) {
	var head Head
	b := &pgx.Batch{}
	QueueLock(b, &head)
	if err := tx.SendBatch(ctx, b).Close(); err != nil {
		return Head{}, err
	}
	if head.Book != "" && head.Book != book {
		return Head{}, &NotEmptyError{Has: "it was marked as a " + head.Book + " book"}
	}
	if head.ManualNow != nil {
		return Head{}, &NotEmptyError{Has: "its clock was set"}
	}
	for _, table := range append([]string{"log", "commands", "checkpoints"}, others...) {
		var filled bool
		if err := tx.QueryRow(ctx, "SELECT EXISTS (SELECT FROM "+table+")").Scan(&filled); err != nil {
			return Head{}, fmt.Errorf("look whether the database is empty: %w", err)
		}
		if filled || head.Position > 0 {
			return Head{}, &NotEmptyError{Has: fmt.Sprintf("%d events, and rows in table %s", head.Position, table)}
		}
	}
	return head, nil
}

// CopyRows writes events as they were stored, byte for byte, with the codes that their bytes name and the answers to
// commands, within a transaction that LockEmpty began.
func CopyRows(ctx context.Context, tx pgx.Tx, rows []Row, answers []Answered) error {
	var codes [][]any
	for _, r := range rows {
		said, err := events.ParseEnvelope(r.Canonical)
		if err != nil {
			return fmt.Errorf("position %d: %w", r.Position, err)
		}
		for _, code := range said.Codes {
			codes = append(codes, []any{string(code), r.Position})
		}
	}
	_, err := tx.CopyFrom(ctx, pgx.Identifier{"log"}, logColumns, pgx.CopyFromSlice(len(rows), func(i int) ([]any, error) {
		r := rows[i]
		return []any{
			r.Position, r.ID, r.Type, int32(r.Version), r.OccurredAt, r.RecordedAt, r.Actor, r.Site, r.Key, r.Command, string(r.Canonical),
		}, nil
	}))
	if err != nil {
		return fmt.Errorf("copy log: %w", err)
	}
	if _, err := tx.CopyFrom(ctx, pgx.Identifier{"event_codes"}, codeColumns, pgx.CopyFromRows(codes)); err != nil {
		return fmt.Errorf("copy event_codes: %w", err)
	}
	return copyAnswers(ctx, tx, answers)
}

// SetHead makes a head that of the book whose log was put into an empty database, in a new epoch. It needs the right to
// change all of it.
func SetHead(ctx context.Context, tx pgx.Tx, head Head) error {
	var book *string
	if head.Book != "" {
		book = &head.Book
	}
	_, err := tx.Exec(ctx, `UPDATE head SET position = $1, recorded_at = $2, definitions_at = $3, book = $4, manual_now = $5, epoch = gen_random_uuid()::text`,
		head.Position, head.RecordedAt, head.DefinitionsAt, book, head.ManualNow)
	if err != nil {
		return fmt.Errorf("set the head: %w", err)
	}
	return nil
}

// NewEpoch begins a new epoch: positions of before are told from those of after, and cursors and feeds of before begin
// anew. It is for a book that was put back to an earlier state, and needs the right to change the epoch.
func NewEpoch(ctx context.Context, db DB) (epoch string, err error) {
	rows, err := db.Query(ctx, `UPDATE head SET epoch = gen_random_uuid()::text RETURNING epoch`)
	if err == nil {
		epoch, err = pgx.CollectExactlyOneRow(rows, pgx.RowTo[string])
	}
	if err != nil {
		return "", fmt.Errorf("begin a new epoch: %w", err)
	}
	return epoch, nil
}
