package book_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"firstout/internal/book"
	"firstout/internal/events/eventlog"
)

func rung(changed <-chan struct{}) bool {
	select {
	case <-changed:
		return true
	default:
		return false
	}
}

// By the time that a command is answered, whoever listens knows; of what was refused, or answered before, there is
// nothing to know.
func TestChangedTellsWhatThisProcessWrote(t *testing.T) {
	t.Parallel()
	db := marked(t, eventlog.BookTest)
	b := open(t, db.App, book.Options{Clock: func() time.Time { return noon }, Manual: true})
	other := open(t, db.App, book.Options{Clock: func() time.Time { return noon }, Manual: true})
	_, err := b.Do(t.Context(), request("k1", define("a"))) // with nobody listening
	require.NoError(t, err)

	first, second, others := b.Changed(), b.Changed(), other.Changed()
	_, err = b.Do(t.Context(), request("k2", refused()))
	require.Error(t, err)
	again, err := b.Do(t.Context(), request("k1", define("a")))
	require.NoError(t, err)
	require.True(t, again.Replayed)
	require.False(t, rung(first))

	_, err = b.Do(t.Context(), request("k3", define("b")))
	require.NoError(t, err)
	require.True(t, rung(first))
	require.True(t, rung(second))
	require.False(t, rung(others))

	next := b.Changed()
	require.False(t, rung(next))
	require.Error(t, b.SetClock(t.Context(), noon.Add(-time.Hour)))
	require.False(t, rung(next))
	require.NoError(t, b.SetClock(t.Context(), noon.Add(time.Hour)))
	require.True(t, rung(next))
}
