package eventlog_test

import (
	"testing"

	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"

	"firstout/internal/events"
	"firstout/internal/events/eventlog"
	"firstout/internal/pgtest"
)

// TestAnEventThatThisProgramDoesNotKnowIsNamed holds that what a newer program wrote is told by its type, version and first
// position.
func TestAnEventThatThisProgramDoesNotKnowIsNamed(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	require.NoError(t, eventlog.CheckKnown(t.Context(), db.App), "an empty log")
	writeMoulds(t, db.App, "k", "a", "b")
	fill(t, db)
	require.NoError(t, eventlog.CheckKnown(t.Context(), db.App))

	write := func(eventType string, version, times int) {
		for range times {
			_, err := db.Owner.Exec(t.Context(), `
				INSERT INTO log
				SELECT position + 1, gen_random_uuid(), $1, $2, occurred_at, recorded_at, actor, site, key, command, canonical
				FROM log ORDER BY position DESC LIMIT 1`, eventType, version)
			require.NoError(t, err)
		}
	}
	wants := func(position, eventType string, version int) {
		err := eventlog.CheckKnown(t.Context(), db.App)
		unknown := new(events.UnknownError)
		require.ErrorAs(t, err, &unknown)
		require.Equal(t, &events.UnknownError{Type: eventType, Version: version}, unknown)
		require.ErrorContains(t, err, "position "+position+": event "+eventType)
		require.NotContains(t, err.Error(), "\n")
	}
	write("pieces_sold", 3, 2) // 5, 6
	wants("5", "pieces_sold", 3)
	write("pieces_sold", 2, 1) // 7
	wants("5", "pieces_sold", 3)
	write("aerated", 1, 1) // 8, first in the alphabet and last in the log
	wants("5", "pieces_sold", 3)
}

func TestATypeThatThisProgramDoesNotKnowIsNamed(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	writeMoulds(t, db.App, "k", "a", "b")
	_, err := db.Owner.Exec(t.Context(), `
		INSERT INTO log
		SELECT 3, gen_random_uuid(), 'tempered', 1, occurred_at, recorded_at, actor, site, key, command, canonical
		FROM log WHERE position = 1`)
	require.NoError(t, err)
	require.ErrorContains(t, eventlog.CheckKnown(t.Context(), db.App), "position 3: event tempered version 1 is not known to this program")
}

// TestPlansThatDoNotGrow holds that looking for unknown events reads few rows, and that carrying the log away gives its first
// row at once: neither table is sorted or read whole first.
func TestPlansThatDoNotGrow(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	writeMoulds(t, db.App, "k", "a")
	for _, sql := range []string{
		`INSERT INTO log
		SELECT n, gen_random_uuid(), type, 1, occurred_at, recorded_at, actor, site, 'k' || n, command, canonical
		FROM log, generate_series(2, 5000) n`,
		`INSERT INTO commands SELECT 'k' || position, sha256(key::bytea), 201, '', position, id, recorded_at FROM log WHERE position > 1`,
		"ANALYZE log, commands",
	} {
		_, err := db.Owner.Exec(t.Context(), sql)
		require.NoError(t, err)
	}
	requirePlan := func(q eventlog.Querier, sql string, args []any, without ...string) {
		t.Helper()
		rows, err := q.Query(t.Context(), "EXPLAIN "+sql, args...)
		require.NoError(t, err)
		plan, err := pgx.CollectRows(rows, pgx.RowTo[string])
		require.NoError(t, err)
		for _, line := range plan {
			for _, bad := range without {
				require.NotContains(t, line, bad, "%s", plan)
			}
		}
	}
	requirePlan(db.App, eventlog.Shapes, nil, "Seq Scan on log")
	require.NoError(t, pgx.BeginFunc(t.Context(), db.App, func(tx pgx.Tx) error {
		if _, err := tx.Exec(t.Context(), "SET LOCAL enable_sort = off"); err != nil { // as Carry does
			return err
		}
		requirePlan(tx, eventlog.InOrder, []any{int64(0)}, "Sort", "Hash", "Seq Scan")
		return nil
	}))
}
