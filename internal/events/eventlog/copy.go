package eventlog

import (
	"context"
	"fmt"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"firstout/internal/events"
)

// Copy writes events, what they touch and the answers to the commands they came of, as QueueAppend does, for very many of
// them. The transaction must hold the head's lock; the events are numbered on to next, which MoveHead then makes the head.
func Copy(ctx context.Context, tx pgx.Tx, recorded []events.Recorded, answers []Answered, next Head) error {
	rows, err := rowsOf(recorded, next)
	if err != nil {
		return err
	}
	log := func(i int) ([]any, error) {
		return []any{
			rows.position[i], rows.id[i], rows.kind[i], rows.version[i], rows.occurredAt[i], rows.recordedAt[i], rows.actor[i], rows.site[i],
			rows.key[i], rows.command[i], rows.canonical[i],
		}, nil
	}
	codes := func(i int) ([]any, error) { return []any{rows.code[i], rows.codeAt[i]}, nil }
	for _, t := range []struct {
		table   string
		columns []string
		rows    int
		row     func(int) ([]any, error)
	}{
		{"log", logColumns, len(recorded), log},
		{"event_codes", codeColumns, len(rows.code), codes},
	} {
		if _, err := tx.CopyFrom(ctx, pgx.Identifier{t.table}, t.columns, pgx.CopyFromSlice(t.rows, t.row)); err != nil {
			return fmt.Errorf("copy %s: %w", t.table, err)
		}
	}
	return copyAnswers(ctx, tx, answers)
}

var (
	logColumns  = []string{"position", "id", "type", "version", "occurred_at", "recorded_at", "actor", "site", "key", "command", "canonical"}
	codeColumns = []string{"code", "position"}
	keyColumns  = []string{"key", "request_hash", "status", "answer", "first_position", "command", "recorded_at"}
)

func copyAnswers(ctx context.Context, tx pgx.Tx, answers []Answered) error {
	_, err := tx.CopyFrom(ctx, pgx.Identifier{"commands"}, keyColumns, pgx.CopyFromSlice(len(answers), func(i int) ([]any, error) {
		a := answers[i]
		var position *int64
		var command *uuid.UUID
		if a.FirstPosition > 0 {
			position, command = &a.FirstPosition, &a.Command
		}
		return []any{a.Key, a.RequestHash, int32(a.Status), string(a.Body), position, command, a.RecordedAt}, nil
	}))
	if err != nil {
		return fmt.Errorf("copy commands: %w", err)
	}
	return nil
}

// MoveHead says how far the book has come, in the transaction that wrote the events.
func MoveHead(ctx context.Context, tx pgx.Tx, next Head) error {
	if _, err := tx.Exec(ctx, moveHead, next.Position, next.RecordedAt, next.DefinitionsAt); err != nil {
		return fmt.Errorf("move the head: %w", err)
	}
	return nil
}
