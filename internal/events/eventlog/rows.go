package eventlog

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"firstout/internal/events"
)

// A Row is an event as the log keeps it: the bytes that count, and the columns beside them that queries use.
type Row struct {
	Position               int64
	ID                     uuid.UUID
	Type                   string
	Version                int
	OccurredAt, RecordedAt time.Time
	Actor, Site, Key       string
	Command                uuid.UUID
	Canonical              []byte
}

// ReadRows gives the rows after a position, in order, as they are stored: they may be anything.
func ReadRows(ctx context.Context, q Querier, after int64, limit int) ([]Row, error) {
	rows, err := q.Query(ctx, `
SELECT position, id, type, version, occurred_at, recorded_at, actor, site, key, command, canonical
FROM log WHERE position > $1 ORDER BY position LIMIT $2`, after, limit)
	if err != nil {
		return nil, fmt.Errorf("read the log after %d: %w", after, err)
	}
	found, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (r Row, err error) {
		err = row.Scan(&r.Position, (*[16]byte)(&r.ID), &r.Type, &r.Version, &r.OccurredAt, &r.RecordedAt, &r.Actor, &r.Site, &r.Key, (*[16]byte)(&r.Command), &r.Canonical)
		return r, err
	})
	if err != nil {
		return nil, fmt.Errorf("read the log after %d: %w", after, err)
	}
	return found, nil
}

// Check says what is wrong with a row by itself; nil: its bytes are an event in canonical form, and its columns are what
// they say. It gives the codes that they name.
func (r Row) Check() (codes []events.Code, err error) {
	if _, err := events.ParseCanonical(r.Canonical); err != nil {
		return nil, fmt.Errorf("its bytes are no event: %w", err)
	}
	// As it stands, not as this program would write it: an older version of a shape stays as it was written.
	if again, err := events.Canonicalize(r.Canonical); err != nil || !bytes.Equal(again, r.Canonical) {
		return nil, errors.New("its bytes are not in canonical form")
	}
	return r.CheckColumns()
}

// CheckColumns says which column is not what a row's bytes say, and gives the codes that they name. Of the bytes it reads
// no more than it needs for that: whoever knows otherwise that they are as they were written saves most of the work of Check.
func (r Row) CheckColumns() (codes []events.Code, err error) {
	said, err := events.ParseEnvelope(r.Canonical)
	if err != nil {
		return nil, fmt.Errorf("its bytes are no event: %w", err)
	}
	for _, column := range []struct {
		name string
		same bool
	}{
		{"position", r.Position == said.Position},
		{"id", r.ID == said.ID},
		{"type", r.Type == said.Type},
		{"version", r.Version == said.Version},
		{"occurred_at", r.OccurredAt.Equal(said.OccurredAt)},
		{"recorded_at", r.RecordedAt.Equal(said.RecordedAt)},
		{"actor", r.Actor == said.Actor},
		{"site", r.Site == said.Site},
		{"key", r.Key == said.Key},
		{"command", r.Command == said.Command},
	} {
		if !column.same {
			return said.Codes, fmt.Errorf("its column %s is not what its bytes say", column.name)
		}
	}
	return said.Codes, nil
}

// RowOf gives the row of an event from its bytes alone. It does not ask whether they are in canonical form.
func RowOf(canonical []byte) (Row, events.Recorded, error) {
	said, err := events.ParseCanonical(canonical)
	if err != nil {
		return Row{}, events.Recorded{}, err
	}
	return Row{
		Position: said.Position, ID: said.ID, Type: said.Data.EventType(), Version: said.Version, OccurredAt: said.OccurredAt, RecordedAt: said.RecordedAt,
		Actor: said.Actor, Site: said.Site, Key: said.Key, Command: said.Command, Canonical: canonical,
	}, said, nil
}
