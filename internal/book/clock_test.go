package book_test

import (
	"sync/atomic"
	"testing"
	"time"

	"github.com/jackc/pgx/v5/pgxpool"
	"github.com/stretchr/testify/require"

	"firstout/internal/book"
	"firstout/internal/events/eventlog"
	"firstout/internal/pgtest"
)

var noon = time.Date(2026, 11, 25, 12, 0, 0, 0, time.UTC)

// wall is a clock on the wall that a test can put.
type wall struct{ now atomic.Pointer[time.Time] }

func (w *wall) put(t time.Time) { w.now.Store(&t) }

func (w *wall) read() time.Time { return *w.now.Load() }

func TestRecordedAtNeverGoesBack(t *testing.T) {
	t.Parallel()
	db := pgtest.NewBook(t)
	clock := &wall{}
	b := open(t, db.App, book.Options{Clock: clock.read})
	for i, now := range []time.Time{noon, noon.Add(-time.Hour), noon.Add(time.Second + 1234)} {
		clock.put(now)
		_, err := b.Do(t.Context(), request("", define(string(rune('a'+i)))))
		require.NoError(t, err)
	}
	var times []time.Time
	for _, r := range logged(t, db.App) {
		times = append(times, r.RecordedAt)
	}
	require.Equal(t, []time.Time{noon, noon, noon.Add(time.Second + 1000)}, times)
}

// marked is a database of a kind of book.
func marked(t *testing.T, kind string) *pgtest.DB {
	t.Helper()
	db := pgtest.NewBook(t)
	require.NoError(t, eventlog.MarkBook(t.Context(), db.App, kind))
	return db
}

// now is a book's time as its readers see it.
func now(t *testing.T, b *book.Book, pool *pgxpool.Pool) time.Time {
	t.Helper()
	head, err := eventlog.ReadHead(t.Context(), pool)
	require.NoError(t, err)
	return b.Now(head)
}

func TestManualClockStandsStillUntilItIsSet(t *testing.T) {
	t.Parallel()
	db := marked(t, eventlog.BookTest)
	clock := &wall{}
	clock.put(noon)
	one := open(t, db.App, book.Options{Clock: clock.read, Manual: true})
	clock.put(noon.Add(time.Hour))
	two := open(t, db.App, book.Options{Clock: clock.read, Manual: true})
	require.Equal(t, noon, now(t, one, db.App))
	require.Equal(t, noon, now(t, two, db.App), "the first start's time")

	_, err := one.Do(t.Context(), request("k1", define("a")))
	require.NoError(t, err)
	require.NoError(t, two.SetClock(t.Context(), noon.Add(24*time.Hour)))
	require.NoError(t, one.SetClock(t.Context(), noon.Add(24*time.Hour)), "where it stands")
	require.ErrorIs(t, one.SetClock(t.Context(), noon.Add(24*time.Hour-time.Microsecond)), book.ErrClockBack)
	require.Equal(t, noon.Add(24*time.Hour), now(t, one, db.App))
	_, err = one.Do(t.Context(), request("k2", define("b")))
	require.NoError(t, err)
	all := logged(t, db.App)
	require.Equal(t, noon, all[0].RecordedAt)
	require.Equal(t, noon.Add(24*time.Hour), all[1].RecordedAt)
}

func TestManualClockAfterARestartIsTheLaterOfSetValueAndNewestEvent(t *testing.T) {
	t.Parallel()
	db := marked(t, eventlog.BookDemo)
	clock := &wall{}
	clock.put(noon)
	open(t, db.App, book.Options{Clock: clock.read, Manual: true})

	running := open(t, db.App, book.Options{Clock: clock.read}) // after the play, the clock runs
	require.ErrorIs(t, running.SetClock(t.Context(), noon.Add(time.Hour)), book.ErrNoManualClock)
	clock.put(noon.Add(time.Hour))
	_, err := running.Do(t.Context(), request("k1", define("a")))
	require.NoError(t, err)

	again := open(t, db.App, book.Options{Clock: clock.read, Manual: true})
	require.Equal(t, noon.Add(time.Hour), now(t, again, db.App))
	require.ErrorIs(t, again.SetClock(t.Context(), noon.Add(time.Minute)), book.ErrClockBack)
}

func TestManualClockIsNotForARealBook(t *testing.T) {
	t.Parallel()
	for _, db := range []*pgtest.DB{marked(t, eventlog.BookReal), pgtest.NewBook(t)} {
		head, err := eventlog.ReadHead(t.Context(), db.App)
		require.NoError(t, err)
		if head.Book != "" && head.Book != eventlog.BookReal {
			continue // this harness marks its databases itself
		}
		_, err = book.Open(t.Context(), db.App, book.Options{Clock: time.Now, Manual: true})
		require.ErrorIs(t, err, book.ErrManualClock)
	}
}
