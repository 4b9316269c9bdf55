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
	write("pieces_sold", 3, 2) // 6, 7
	wants("6", "pieces_sold", 3)
	write("pieces_sold", 2, 1) // 8
	wants("6", "pieces_sold", 3)
	write("aerated", 1, 1) // 9, first in the alphabet and last in the log
	wants("6", "pieces_sold", 3)
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

// TestLookingForUnknownEventsReadsFewRows holds that the look does not grow with the log.
func TestLookingForUnknownEventsReadsFewRows(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	writeMoulds(t, db.App, "k", "a")
	_, err := db.Owner.Exec(t.Context(), `
		INSERT INTO log
		SELECT n, gen_random_uuid(), type, 1, occurred_at, recorded_at, actor, site, key, command, canonical
		FROM log, generate_series(2, 5000) n`)
	require.NoError(t, err)
	_, err = db.Owner.Exec(t.Context(), "ANALYZE log")
	require.NoError(t, err)
	rows, err := db.App.Query(t.Context(), "EXPLAIN "+eventlog.Shapes)
	require.NoError(t, err)
	plan, err := pgx.CollectRows(rows, pgx.RowTo[string])
	require.NoError(t, err)
	for _, line := range plan {
		require.NotContains(t, line, "Seq Scan on log")
	}
}
