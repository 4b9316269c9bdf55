package book_test

import (
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"firstout/internal/book"
	"firstout/internal/pgtest"
)

// TestACommitterThatStandsStillIsTold holds a group while the clock goes on.
func TestACommitterThatStandsStillIsTold(t *testing.T) {
	t.Parallel()
	var ahead atomic.Int64
	clock := func() time.Time { return time.Now().Add(time.Duration(ahead.Load())) }
	b := open(t, pgtest.NewBook(t).App, book.Options{Clock: clock})
	require.NoError(t, b.Check(t.Context()))
	g := shut(t, b)
	require.NoError(t, b.Check(t.Context()), "it has only begun")
	ahead.Store(int64(time.Hour))
	require.ErrorIs(t, b.Check(t.Context()), book.ErrStuck)
	g.open(t)
	_, err := b.Do(t.Context(), request("k1", define("a")))
	require.NoError(t, err)
	require.NoError(t, b.Check(t.Context()))
}

// TestAReadOnlyDatabaseIsTold: commands are put off, and the book says why.
func TestAReadOnlyDatabaseIsTold(t *testing.T) {
	t.Parallel()
	db := pgtest.NewBook(t)
	pool := through(t, db.App, direct)
	b := open(t, pool, book.Options{})
	set := func(to string) {
		exec(t, db, `DO $$ BEGIN EXECUTE format('ALTER DATABASE %I SET default_transaction_read_only = `+to+`', current_database()); END $$`)
		endSessions(t, db.App)
		pool.Reset()
	}
	set("on")
	require.ErrorIs(t, b.Check(t.Context()), book.ErrReadOnly)
	_, err := b.Do(t.Context(), request("k1", define("a")))
	require.ErrorIs(t, err, book.ErrUnavailable)
	set("off")
	_, err = b.Do(t.Context(), request("k1", define("a")))
	require.NoError(t, err)
	require.NoError(t, b.Check(t.Context()))
}
