package eventlog_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"firstout/internal/events"
	"firstout/internal/events/eventlog"
	"firstout/internal/pgtest"
)

func TestMomentIsTheLaterOfClockAndNewestEvent(t *testing.T) {
	t.Parallel()
	dublin, err := time.LoadLocation("Europe/Dublin")
	require.NoError(t, err)
	head := eventlog.Head{RecordedAt: noon.Truncate(time.Microsecond)}
	require.Equal(t, head.RecordedAt, head.Moment(noon.Add(-time.Hour)), "a clock that was put back")
	require.Equal(t, head.RecordedAt, head.Moment(head.RecordedAt.Add(999)), "within the same microsecond")
	require.Equal(t, noon.Add(time.Hour).Truncate(time.Microsecond), head.Moment(noon.Add(time.Hour).Add(1).In(dublin)))
}

func TestHeadAfterEvents(t *testing.T) {
	t.Parallel()
	head := eventlog.Head{Position: 7, DefinitionsAt: 3, RecordedAt: noon.Add(-time.Hour), Projection: 2, Epoch: "e", Book: eventlog.BookTest}
	require.Equal(t, head, head.After(nil))

	next := head.After(append(moulds(head, "", "a", "b"), held(10)))
	require.Equal(t, eventlog.Head{
		Position: 10, DefinitionsAt: 9, RecordedAt: noon.Truncate(time.Microsecond), Projection: 2, Epoch: "e", Book: eventlog.BookTest,
	}, next)
	require.EqualValues(t, 3, head.After([]events.Recorded{held(8)}).DefinitionsAt)
}

func TestHeadOfAnEmptyBook(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	head, err := eventlog.ReadHead(t.Context(), db.App)
	require.NoError(t, err)
	require.NotEmpty(t, head.Epoch)
	head.Epoch, head.Book = "", ""
	require.Equal(t, eventlog.Head{RecordedAt: time.Unix(0, 0).UTC(), Projection: 1}, head)
}

func TestHeadFollowsTheLog(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	fill(t, db)
	head, err := eventlog.ReadHead(t.Context(), db.App)
	require.NoError(t, err)
	require.EqualValues(t, 2, head.Position)
	require.EqualValues(t, 1, head.DefinitionsAt)
	require.Equal(t, noon.Truncate(time.Microsecond), head.RecordedAt)
}

func TestBookIsMarkedOnce(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	require.NoError(t, eventlog.MarkBook(t.Context(), db.App, eventlog.BookTest))
	require.NoError(t, eventlog.MarkBook(t.Context(), db.App, eventlog.BookTest))
	err := eventlog.MarkBook(t.Context(), db.App, eventlog.BookReal)
	other := new(eventlog.OtherBookError)
	require.ErrorAs(t, err, &other)
	require.Equal(t, eventlog.OtherBookError{Is: "test", Wanted: "real"}, *other)
	require.ErrorContains(t, err, "holds a test book for ever")

	another := pgtest.New(t)
	require.Equal(t, "23514", state(t, eventlog.MarkBook(t.Context(), another.App, "practice")))
	require.NoError(t, eventlog.MarkBook(t.Context(), another.App, eventlog.BookReal))
	_, err = another.App.Exec(t.Context(), "UPDATE head SET manual_now = now()")
	require.Equal(t, "23514", state(t, err), "a real book has no manual clock")
}
