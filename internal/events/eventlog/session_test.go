package eventlog_test

import (
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"

	"firstout/internal/events/eventlog"
	"firstout/internal/pgtest"
)

const briefly = 200 * time.Millisecond

// TestAWriterThatStandsStillIsEnded holds that one that took the head's lock and went no further keeps nobody for long.
func TestAWriterThatStandsStillIsEnded(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	still, err := eventlog.Writer(t.Context(), db.App, briefly)
	require.NoError(t, err)
	stands, err := still.Begin(t.Context())
	require.NoError(t, err)
	lock(t, stands)

	writeMoulds(t, db.App, "k1", "dome-24") // waits for the lock, with a pool's patience, and gets it
	require.Error(t, stands.Commit(t.Context()), "the session was ended")
}

func TestAWriterDoesNotWaitForTheLockForLong(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	holder, err := db.App.Begin(t.Context())
	require.NoError(t, err)
	lock(t, holder)

	waits, err := eventlog.Writer(t.Context(), db.App, briefly)
	require.NoError(t, err)
	var head eventlog.Head
	b := &pgx.Batch{}
	eventlog.QueueLock(b, &head)
	require.Contains(t, []string{"55P03", "57014"}, state(t, waits.SendBatch(t.Context(), b).Close()))
	require.NoError(t, waits.Close(t.Context()))

	err = pgx.BeginFunc(t.Context(), db.App, func(tx pgx.Tx) error {
		b := &pgx.Batch{}
		eventlog.QueueLimits(b, briefly)
		eventlog.QueueLock(b, &head)
		return tx.SendBatch(t.Context(), b).Close()
	})
	require.Contains(t, []string{"55P03", "57014"}, state(t, err), "the same limits, for one transaction")
	require.NoError(t, holder.Rollback(t.Context()))
}

func TestReadingTheHeadWaitsForNobody(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	holder, err := db.App.Begin(t.Context())
	require.NoError(t, err)
	lock(t, holder)
	_, err = eventlog.ReadHead(t.Context(), db.App)
	require.NoError(t, err)
	require.NoError(t, holder.Rollback(t.Context()))
}
