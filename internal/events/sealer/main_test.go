package sealer_test

import (
	"crypto/rand"
	"fmt"
	"os"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"
	"golang.org/x/mod/sumdb/note"

	"firstout/internal/events"
	"firstout/internal/events/eventlog"
	"firstout/internal/events/seal"
	"firstout/internal/events/sealer"
	"firstout/internal/pgtest"
)

func TestMain(m *testing.M) { os.Exit(pgtest.Main(m)) }

var noon = time.Date(2026, 11, 25, 12, 0, 0, 123_000, time.UTC)

const origin = "seaside.example/book"

func newKey(t testing.TB, name string) (seal.Key, note.Verifier) {
	t.Helper()
	text, err := seal.NewKey(rand.Reader, name)
	require.NoError(t, err)
	key, err := seal.ParseKey(text)
	require.NoError(t, err)
	verifier, err := seal.ParseVerifier(key.Verifier())
	require.NoError(t, err)
	return key, verifier
}

// write appends events, one command each, that need nothing to be there before them.
func write(t testing.TB, db *pgtest.DB, count int) {
	t.Helper()
	require.NoError(t, pgx.BeginFunc(t.Context(), db.App, func(tx pgx.Tx) error {
		var head eventlog.Head
		var lock, b pgx.Batch
		eventlog.QueueLock(&lock, &head)
		if err := tx.SendBatch(t.Context(), &lock).Close(); err != nil {
			return err
		}
		var recorded []events.Recorded
		for i := range count {
			id := uuid.Must(uuid.NewV7())
			position := head.Position + 1 + int64(i)
			recorded = append(recorded, events.Recorded{
				Position: position, ID: id, Command: id, Version: 1, OccurredAt: noon, RecordedAt: head.Moment(noon),
				Actor: "maker", Site: "quay-lane", Key: fmt.Sprint("k", position),
				Data: events.MouldDefined{Defined: events.Defined{Slug: fmt.Sprint("dome-", position), DefVersion: 1}, Mould: events.Mould{Name: `a \ and "é"`, Cavities: 24}},
			})
		}
		if err := eventlog.QueueAppend(&b, recorded, nil, head.After(recorded)); err != nil {
			return err
		}
		return tx.SendBatch(t.Context(), &b).Close()
	}))
}

// sealed is a book of some events, all of them sealed, in batches of three.
func sealed(t *testing.T, count int) (*pgtest.DB, *sealer.Sealer, note.Verifier) {
	t.Helper()
	db := pgtest.New(t)
	key, verifier := newKey(t, origin)
	s := sealer.New(db.App, sealer.Options{Key: key, Batch: 3})
	write(t, db, count)
	require.NoError(t, s.SealAll(t.Context()))
	requireSealed(t, db, int64(count), verifier)
	return db, s, verifier
}

func requireSealed(t testing.TB, db *pgtest.DB, size int64, keys ...note.Verifier) {
	t.Helper()
	lag, err := sealer.ReadLag(t.Context(), db.App)
	require.NoError(t, err)
	require.Equal(t, size, lag.Sealed)
	report, err := sealer.Verify(t.Context(), db.App, nil, keys...)
	require.NoError(t, err)
	require.Equal(t, size, report.Sealed)
}

// tamper does what nobody can do but who owns the tables and switches their triggers off.
func tamper(t testing.TB, db *pgtest.DB, sql string, args ...any) {
	t.Helper()
	require.NoError(t, pgx.BeginFunc(t.Context(), db.Owner, func(tx pgx.Tx) error {
		for _, table := range []string{"log", "event_codes", "seal_hashes", "checkpoints", "head"} {
			if _, err := tx.Exec(t.Context(), "ALTER TABLE "+table+" DISABLE TRIGGER USER"); err != nil {
				return err
			}
		}
		_, err := tx.Exec(t.Context(), sql, args...)
		return err
	}))
}
