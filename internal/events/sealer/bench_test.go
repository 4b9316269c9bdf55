package sealer_test

import (
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"testing"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"

	"firstout/internal/events"
	"firstout/internal/events/eventlog"
	"firstout/internal/events/sealer"
	"firstout/internal/pgtest"
)

// benchEvents is how many events the log has that is sealed and verified: 20,000, or what BENCH_EVENTS says.
func benchEvents(b *testing.B) int {
	b.Helper()
	count, err := strconv.Atoi(os.Getenv("BENCH_EVENTS"))
	if err != nil {
		return 20_000
	}
	return count
}

// fill writes a log of events of every type.
func fill(b *testing.B, db *pgtest.DB, count int) {
	b.Helper()
	files, err := filepath.Glob("../../../testdata/events/*/*.json")
	require.NoError(b, err)
	require.NotEmpty(b, files)
	var examples []events.Recorded
	for _, file := range files {
		text, err := os.ReadFile(file)
		require.NoError(b, err)
		r, err := events.ParseCanonical(text)
		require.NoError(b, err)
		examples = append(examples, r)
	}
	const batch = 5_000
	for at := 0; at < count; at += batch {
		require.NoError(b, pgx.BeginFunc(b.Context(), db.App, func(tx pgx.Tx) error {
			var head eventlog.Head
			var lock pgx.Batch
			eventlog.QueueLock(&lock, &head)
			if err := tx.SendBatch(b.Context(), &lock).Close(); err != nil {
				return err
			}
			var recorded []events.Recorded
			for i := range min(batch, count-at) {
				r := examples[(at+i)%len(examples)]
				r.Position, r.ID, r.Key, r.RecordedAt = int64(at+i+1), uuid.Must(uuid.NewV7()), fmt.Sprint("k", at+i), noon
				r.Command = r.ID
				recorded = append(recorded, r)
			}
			next := head.After(recorded)
			if err := eventlog.Copy(b.Context(), tx, recorded, nil, next); err != nil {
				return err
			}
			return eventlog.MoveHead(b.Context(), tx, next)
		}))
	}
}

// BenchmarkVerifyTheBook verifies a whole log in the database, columns, codes and seals.
func BenchmarkVerifyTheBook(b *testing.B) {
	db := pgtest.New(b)
	count := benchEvents(b)
	fill(b, db, count)
	key, verifier := newKey(b, origin)
	require.NoError(b, sealer.New(db.App, sealer.Options{Key: key}).SealAll(b.Context()))
	for b.Loop() {
		report, err := sealer.Verify(b.Context(), db.App, nil, verifier)
		require.NoError(b, err)
		require.EqualValues(b, count, report.Sealed)
	}
	b.ReportMetric(float64(count)*float64(b.N)/b.Elapsed().Seconds(), "events/s")
}

// BenchmarkSeal seals a whole log that was never sealed, in batches.
func BenchmarkSeal(b *testing.B) {
	count := benchEvents(b)
	key, _ := newKey(b, origin)
	for b.Loop() {
		b.StopTimer()
		db := pgtest.New(b)
		fill(b, db, count)
		b.StartTimer()
		require.NoError(b, sealer.New(db.App, sealer.Options{Key: key}).SealAll(b.Context()))
	}
	b.ReportMetric(float64(count)*float64(b.N)/b.Elapsed().Seconds(), "events/s")
}
