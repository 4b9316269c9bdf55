package projections_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"firstout/internal/pgtest"
	"firstout/internal/projections"
	"firstout/internal/workshop"
)

// A few readings are looked up, however many there are: from an instant on, with the last temperature by then and what
// was declared since.
func TestReadingsAreLoadedFromTheOneBefore(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	start := time.Date(2026, 11, 25, 8, 0, 0, 0, time.UTC)
	_, err := db.Owner.Exec(t.Context(), `
		INSERT INTO readings
		SELECT n, 'counter', $1::timestamptz + n * interval '1 hour', $1::timestamptz + n * interval '1 hour', 15 + n, n IN (4, 9)
		FROM generate_series(1, 10) n
		UNION ALL
		SELECT 20, 'R261125-01-7', $1, $1, 28, false`, start)
	require.NoError(t, err)
	loaded := func(needs ...workshop.Need) *workshop.Set {
		defs, err := projections.LoadDefinitions(t.Context(), db.App)
		require.NoError(t, err)
		set := workshop.NewSet(defs, false)
		load(t, db.App, set, needs...)
		return set
	}
	hour := func(n int) time.Time { return start.Add(time.Duration(n) * time.Hour) }
	for _, c := range []struct {
		at    time.Time
		first int64
	}{{hour(8), 8}, {hour(8).Add(time.Minute), 8}, {hour(5).Add(-time.Minute), 3}, {hour(20), 10}, {start, 1}, {hour(9), 8}} {
		need := workshop.NeedReadings("counter", c.at)
		set := loaded(need)
		require.True(t, set.IsLoaded(need))
		require.True(t, set.IsLoaded(workshop.NeedReadings("counter", c.at.Add(time.Hour))), "what is later came with it")
		require.False(t, set.IsLoaded(workshop.NeedReadings("counter", c.at.Add(-time.Microsecond))))
		readings := set.ReadingsOf("counter", c.at)
		require.Equal(t, c.first, readings[0].Position, c.at)
		require.Equal(t, int64(10), readings[len(readings)-1].Position)
		require.Len(t, readings, int(10-c.first+1))
	}
	set := loaded(workshop.NeedReadings("counter", hour(8)), workshop.NeedReadings("counter", hour(2)), workshop.NeedReadings("R261125-01-7", hour(8)), workshop.NeedReadings("stall", hour(8)))
	require.Len(t, set.ReadingsOf("counter", hour(2)), 9, "asked for twice, from the earlier on")
	require.Equal(t, []workshop.Reading{{Position: 20, Subject: "R261125-01-7", From: start, At: start, TemperatureC: 28}}, set.ReadingsOf("R261125-01-7", hour(8)))
	require.Empty(t, set.ReadingsOf("stall", hour(8)))
	require.True(t, set.ReadingsOf("counter", hour(8))[1].Failed)
}
