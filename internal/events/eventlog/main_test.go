package eventlog_test

import (
	"context"
	"os"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"
	"github.com/jackc/pgx/v5/pgxpool"
	"github.com/stretchr/testify/require"

	"firstout/internal/events"
	"firstout/internal/events/eventlog"
	"firstout/internal/pgtest"
)

func TestMain(m *testing.M) { os.Exit(pgtest.Main(m)) }

var noon = time.Date(2026, 11, 25, 12, 0, 0, 123_000, time.UTC)

// moulds are events that need nothing to be there before them, numbered on from a head.
func moulds(head eventlog.Head, key string, slugs ...string) []events.Recorded {
	var recorded []events.Recorded
	for i, slug := range slugs {
		r := events.Recorded{
			Position: head.Position + 1 + int64(i), ID: uuid.Must(uuid.NewV7()), Version: 1, OccurredAt: noon, RecordedAt: head.Moment(noon),
			Actor: "maker", Site: "quay-lane", Key: key,
			Data: events.MouldDefined{Defined: events.Defined{Slug: slug, DefVersion: 1}, Mould: events.Mould{Name: slug, Cavities: 24}},
		}
		r.Command = r.ID
		if i > 0 {
			r.Command = recorded[0].ID
		}
		recorded = append(recorded, r)
	}
	return recorded
}

// write appends what give gives for the locked head, in a transaction of its own.
func write(t *testing.T, pool *pgxpool.Pool, give func(eventlog.Head) ([]events.Recorded, []eventlog.Answered)) []events.Recorded {
	t.Helper()
	var recorded []events.Recorded
	err := pgx.BeginFunc(t.Context(), pool, func(tx pgx.Tx) error {
		head := lock(t, tx)
		var answers []eventlog.Answered
		recorded, answers = give(head)
		b := &pgx.Batch{}
		if err := eventlog.QueueAppend(b, recorded, answers, head.After(recorded)); err != nil {
			return err
		}
		return tx.SendBatch(t.Context(), b).Close()
	})
	require.NoError(t, err)
	return recorded
}

func writeMoulds(t *testing.T, pool *pgxpool.Pool, key string, slugs ...string) []events.Recorded {
	t.Helper()
	return write(t, pool, func(head eventlog.Head) ([]events.Recorded, []eventlog.Answered) {
		return moulds(head, key, slugs...), nil
	})
}

func lock(t *testing.T, tx pgx.Tx) eventlog.Head {
	t.Helper()
	var head eventlog.Head
	b := &pgx.Batch{}
	eventlog.QueueLock(b, &head)
	require.NoError(t, tx.SendBatch(t.Context(), b).Close())
	return head
}

// state is the SQLSTATE of an error, empty for none.
func state(t *testing.T, err error) string {
	t.Helper()
	if err == nil {
		return ""
	}
	refused := new(pgconn.PgError)
	require.ErrorAs(t, err, &refused)
	return refused.Code
}

// role is who a pool is connected as.
func role(t *testing.T, pool *pgxpool.Pool) string {
	t.Helper()
	var name string
	require.NoError(t, pool.QueryRow(context.WithoutCancel(t.Context()), "SELECT current_user").Scan(&name))
	return name
}
