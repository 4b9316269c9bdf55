package eventlog_test

import (
	"errors"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"

	"firstout/internal/events"
	"firstout/internal/events/eventlog"
	"firstout/internal/pgtest"
)

const (
	lot = events.Code("L261125-01-8")
	run = events.Code("R261125-03-3")
)

// held is an event that touches two codes.
func held(position int64) events.Recorded {
	id := uuid.Must(uuid.NewV7())
	return events.Recorded{
		Position: position, ID: id, Version: 1, OccurredAt: noon.Add(-time.Hour), RecordedAt: noon.Truncate(time.Microsecond),
		Actor: "counter", Site: "quay-lane", Key: "k-hold", Command: id,
		Data: events.HoldPlaced{Code: lot, Downstream: true, Reason: "supplier called", Codes: []events.Code{lot, run}},
	}
}

func answered(key string, first events.Recorded) eventlog.Answered {
	return eventlog.Answered{
		Key: key, RequestHash: make([]byte, 32), Status: 201, Body: []byte(`{"name":"Café"}`), FirstPosition: first.Position, Command: first.ID,
		RecordedAt: first.RecordedAt,
	}
}

func TestEventsAreReadAsTheyWereWritten(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	written := append(writeMoulds(t, db.App, "k1", "dome-24", "square-21"),
		write(t, db.App, func(head eventlog.Head) ([]events.Recorded, []eventlog.Answered) {
			return []events.Recorded{held(head.Position + 1)}, nil
		})...)

	stored, err := eventlog.Read(t.Context(), db.App, eventlog.Filter{})
	require.NoError(t, err)
	require.Len(t, stored, 3)
	for i, s := range stored {
		require.Equal(t, written[i], s.Recorded)
		canonical, err := written[i].Canonical()
		require.NoError(t, err)
		require.Equal(t, string(canonical), s.Canonical)
	}

	var streamed []events.Recorded
	require.NoError(t, eventlog.Stream(t.Context(), db.App, 1, func(r events.Recorded) error {
		streamed = append(streamed, r)
		return nil
	}))
	require.Equal(t, written[1:], streamed)

	enough := errors.New("enough")
	require.ErrorIs(t, eventlog.Stream(t.Context(), db.App, 0, func(events.Recorded) error { return enough }), enough)
}

// TestColumnsSayWhatTheBytesSay holds the columns, which queries use, against the bytes, which count.
func TestColumnsSayWhatTheBytesSay(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	fill(t, db)
	var same bool
	require.NoError(t, db.App.QueryRow(t.Context(), `
SELECT bool_and(position = (c->>'position')::bigint AND id = (c->>'id')::uuid AND type = c->>'type' AND version = (c->>'version')::int
    AND occurred_at = (c->>'occurred_at')::timestamptz AND recorded_at = (c->>'recorded_at')::timestamptz AND actor = c->>'actor'
    AND site = c->>'site' AND key = c->>'key' AND command = (c->>'command')::uuid
    AND ARRAY(SELECT jsonb_array_elements_text(c->'codes') ORDER BY 1) = ARRAY(SELECT code::text FROM event_codes e WHERE e.position = log.position ORDER BY 1))
FROM log, LATERAL (SELECT canonical::jsonb AS c) AS bytes`).Scan(&same))
	require.True(t, same)
}

func TestReadFilters(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	writeMoulds(t, db.App, "k1", "a", "b", "c")
	write(t, db.App, func(head eventlog.Head) ([]events.Recorded, []eventlog.Answered) {
		return []events.Recorded{held(head.Position + 1), held(head.Position + 2)}, nil
	})
	writeMoulds(t, db.App, "k2", "d")
	for name, c := range map[string]struct {
		filter    eventlog.Filter
		positions []int64
	}{
		"all":                       {eventlog.Filter{}, []int64{1, 2, 3, 4, 5, 6}},
		"after, exclusive":          {eventlog.Filter{After: 4}, []int64{5, 6}},
		"after the head":            {eventlog.Filter{After: 6}, []int64{}},
		"a page":                    {eventlog.Filter{After: 1, Limit: 2}, []int64{2, 3}},
		"a type":                    {eventlog.Filter{Type: "mould_defined", After: 1}, []int64{2, 3, 6}},
		"a code":                    {eventlog.Filter{Code: run}, []int64{4, 5}},
		"a code, after":             {eventlog.Filter{Code: lot, After: 4}, []int64{5}},
		"a code and a type":         {eventlog.Filter{Code: lot, Type: "hold_placed", Limit: 1}, []int64{4}},
		"a code and another type":   {eventlog.Filter{Code: lot, Type: "mould_defined"}, []int64{}},
		"a code that nothing knows": {eventlog.Filter{Code: "B261125-01-X"}, []int64{}},
	} {
		stored, err := eventlog.Read(t.Context(), db.App, c.filter)
		require.NoError(t, err, name)
		positions := []int64{}
		for _, s := range stored {
			positions = append(positions, s.Position)
		}
		require.Equal(t, c.positions, positions, name)
	}
}

func TestAppendRefusesPositionsThatDoNotFollow(t *testing.T) {
	t.Parallel()
	head := eventlog.Head{Position: 4}
	recorded := moulds(head, "k1", "a", "b")
	recorded[1].Position = 7
	b := &pgx.Batch{}
	require.ErrorContains(t, eventlog.QueueAppend(b, recorded, nil, eventlog.Head{Position: 7}), "it has position 5 where 6 is due")
	require.Zero(t, b.Len())
}

func TestAnswersAreFoundByKey(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	var written []eventlog.Answered
	write(t, db.App, func(head eventlog.Head) ([]events.Recorded, []eventlog.Answered) {
		recorded := moulds(head, "k1", "dome-24")
		bare := answered("k2", events.Recorded{RecordedAt: recorded[0].RecordedAt})
		bare.Status, bare.Body = 204, []byte{}
		written = []eventlog.Answered{answered("k1", recorded[0]), bare}
		return recorded, written
	})
	found := map[string]eventlog.Answered{}
	var is, isNot bool
	b := &pgx.Batch{}
	eventlog.QueueFindKeys(b, []string{"k1", "k2", "k3", "k1"}, found)
	eventlog.QueueFindKeys(b, nil, found)
	eventlog.QueueFindEvent(b, written[0].Command, &is)
	eventlog.QueueFindEvent(b, uuid.New(), &isNot)
	require.NoError(t, db.App.SendBatch(t.Context(), b).Close())
	require.Equal(t, map[string]eventlog.Answered{"k1": written[0], "k2": written[1]}, found)
	require.True(t, is)
	require.False(t, isNot)
}

func TestKeyIsUsedOnceWhateverTheProgramDoes(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	fill(t, db)
	err := pgx.BeginFunc(t.Context(), db.App, func(tx pgx.Tx) error {
		head := lock(t, tx)
		recorded := moulds(head, "k1", "other")
		b := &pgx.Batch{}
		require.NoError(t, eventlog.QueueAppend(b, recorded, []eventlog.Answered{answered("k1", recorded[0])}, head.After(recorded)))
		return tx.SendBatch(t.Context(), b).Close()
	})
	require.Equal(t, "23505", state(t, err))
	head, err := eventlog.ReadHead(t.Context(), db.App)
	require.NoError(t, err)
	require.EqualValues(t, 2, head.Position)
}
