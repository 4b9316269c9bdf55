package projections_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"firstout/internal/events"
	"firstout/internal/events/eventlog"
	"firstout/internal/projections"
)

func TestTouchedTellsWhereStockWasTouched(t *testing.T) {
	t.Parallel()
	b := openBook(t)
	writeStory(t, b)
	stored, err := eventlog.Read(t.Context(), b.pool, eventlog.Filter{})
	require.NoError(t, err)
	var recorded []events.Recorded
	for _, s := range stored {
		recorded = append(recorded, s.Recorded)
	}
	touched, err := projections.Touched(t.Context(), b.pool, recorded)
	require.NoError(t, err)
	at := func(position int64) (found []projections.Touch) {
		for _, touch := range touched {
			if touch.Position == position {
				found = append(found, touch)
			}
		}
		return found
	}
	require.Empty(t, at(1), "a site")
	require.Equal(t, []projections.Touch{{13, "counter", dark}}, at(13), "received")
	require.Equal(t, []projections.Touch{{16, "counter", dark}, {16, "vat-dark", charge}}, at(16), "melted")
	require.Equal(t, []projections.Touch{{holdAt, "counter", ganache}}, at(holdAt), "held: nothing moved")
	require.Equal(t, []projections.Touch{{26, "counter", run}}, at(26), "released")

	// Read in parts, it is the same.
	parts := []projections.Touch{}
	for i := 0; i < len(recorded); i += 7 {
		part, err := projections.Touched(t.Context(), b.pool, recorded[i:min(i+7, len(recorded))])
		require.NoError(t, err)
		parts = append(parts, part...)
	}
	require.Equal(t, touched, parts)
	none, err := projections.Touched(t.Context(), b.pool, nil)
	require.NoError(t, err)
	require.Empty(t, none)
}

func TestDueBetweenTellsEachInstantOnce(t *testing.T) {
	t.Parallel()
	b := openBook(t)
	writeStory(t, b)
	due := func(after, until time.Time) []projections.Due {
		found, err := projections.DueBetween(t.Context(), b.pool, after, until)
		require.NoError(t, err)
		return found
	}
	ends := until(4).EndsBy // of the cream
	wanted := []projections.Due{{At: ends, Code: cream, Place: "counter"}, {At: ends, Discard: true, Code: cream, Place: "counter"}}
	require.Empty(t, due(ends.Add(-time.Second), ends.Add(-time.Microsecond)))
	require.Equal(t, wanted, due(ends.Add(-time.Microsecond), ends))
	require.Empty(t, due(ends, ends.Add(time.Second)))

	all := due(clock(0, 0), clock(0, 0).AddDate(1, 0, 0))
	require.Subset(t, all, wanted)
	for i := 1; i < len(all); i++ {
		require.False(t, all[i].At.Before(all[i-1].At))
	}
}
