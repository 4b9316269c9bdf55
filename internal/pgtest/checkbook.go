package pgtest

import (
	"context"
	"testing"

	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"

	"firstout/internal/events"
	"firstout/internal/events/eventlog"
	"firstout/internal/events/sealer"
	"firstout/internal/projections"
)

// NewBook gives a database as New does, and checks the whole book in it when the test has ended.
func NewBook(t testing.TB) *DB {
	t.Helper()
	db := New(t)
	t.Cleanup(func() {
		if !t.Failed() { // the first failure is the one to read
			CheckBook(t, db)
		}
	})
	return db
}

// CheckBook holds the whole book to what must always be true of it: positions are dense and times rise, every event's
// columns are what its canonical bytes say, what is sealed is what was sealed, the derived tables are what a fold of the log gives, row for row, every
// line of stock is the sum of its movements, and a charge's stock is what its lots add up to.
func CheckBook(t testing.TB, db *DB) {
	t.Helper()
	ctx := context.WithoutCancel(t.Context()) // it runs after the test's own context has ended
	checkLog(ctx, t, db)
	different, err := projections.Diff(ctx, db.Owner)
	require.NoError(t, err)
	require.Empty(t, different, "the derived tables are not what the log gives")
	requireNoRows(ctx, t, db, "lines of stock that are not the sum of their movements", `
		SELECT format('%s at %s: %s, movements say %s', code, place, amount, moved)
		FROM (
			SELECT code, place, grade, unreleased, sum(delta) AS moved FROM movements GROUP BY code, place, grade, unreleased
		) m
		FULL JOIN stock USING (code, place, grade, unreleased)
		WHERE coalesce(amount, 0) <> coalesce(moved, 0)`)
	requireNoRows(ctx, t, db, "charges whose stock is not what their lots add up to", `
		SELECT format('%s: %s, lots add up to %s', t.code, s.amount, m.mix)
		FROM things t
		JOIN stock s USING (code)
		CROSS JOIN LATERAL (
			SELECT coalesce(sum(round((lot ->> 'g')::numeric * 1000)), 0) AS mix FROM jsonb_array_elements(coalesce(nullif(t.state -> 'mix', 'null'), '[]')) AS lots (lot)
		) m
		WHERE t.kind = 'charge' AND s.amount <> m.mix`)
}

func requireNoRows(ctx context.Context, t testing.TB, db *DB, what, sql string) {
	t.Helper()
	rows, err := db.App.Query(ctx, sql)
	require.NoError(t, err)
	found, err := pgx.CollectRows(rows, pgx.RowTo[string])
	require.NoError(t, err)
	require.Empty(t, found, what)
}

// checkLog reads every event, and holds the log, its columns and its codes against its bytes, and those against the seals,
// if there are any.
func checkLog(ctx context.Context, t testing.TB, db *DB) {
	t.Helper()
	var last eventlog.Row
	for {
		found, err := eventlog.ReadRows(ctx, db.App, last.Position, eventlog.MaxRead)
		require.NoError(t, err)
		for _, row := range found {
			require.False(t, row.RecordedAt.Before(last.RecordedAt), "recorded_at never goes back")
			r, err := events.ParseCanonical(row.Canonical)
			require.NoError(t, err)
			again, err := r.Canonical()
			require.NoError(t, err)
			require.Equal(t, string(row.Canonical), string(again), "nothing is lost on the way back")
			last = row
		}
		if len(found) < eventlog.MaxRead {
			break
		}
	}
	_, err := sealer.Verify(ctx, db.App, nil)
	require.NoError(t, err, "the log, its columns and its seals")
}
