package main

import (
	"testing"
	"time"

	"github.com/jackc/pgx/v5/pgxpool"
	"github.com/stretchr/testify/require"

	"firstout/internal/events/seal"
	"firstout/internal/events/sealer"
	"firstout/internal/pgtest"
)

// TestASealThatStandsStill has events wait beside a sealer that does nothing, then one that works, then takes events away
// from under the seal.
func TestASealThatStandsStill(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	owner, err := pgxpool.New(t.Context(), db.OwnerURL)
	require.NoError(t, err)
	defer owner.Close()
	now := time.Date(2026, 11, 25, 9, 0, 0, 0, time.UTC)
	watch := &sealWatch{db: owner, now: func() time.Time { return now }}
	require.NoError(t, watch.check(t.Context()), "an empty book has nothing to seal")

	_, err = owner.Exec(t.Context(), `
INSERT INTO log (position, id, type, version, occurred_at, recorded_at, actor, site, key, command, canonical)
SELECT n, gen_random_uuid(), 'mould_defined', 1, now(), now(), '', '', '', gen_random_uuid(), '{"position":' || n || '}'
FROM generate_series(1, 3) AS n;
UPDATE head SET position = 3`)
	require.NoError(t, err)
	require.NoError(t, watch.check(t.Context()), "they may wait")
	now = now.Add(sealPatience + time.Second)
	require.ErrorContains(t, watch.check(t.Context()), "stands still at position 0, 3 events behind")

	text, err := seal.NewKey(zeros{}, "quay-lane.example/book")
	require.NoError(t, err)
	key, err := seal.ParseKey(text)
	require.NoError(t, err)
	require.NoError(t, sealer.New(owner, sealer.Options{Key: key}).SealAll(t.Context()))
	require.NoError(t, watch.check(t.Context()))
	now = now.Add(time.Hour)
	require.NoError(t, watch.check(t.Context()), "nothing waits")

	_, err = owner.Exec(t.Context(), `ALTER TABLE head DISABLE TRIGGER ALL; UPDATE head SET position = 2`)
	require.NoError(t, err)
	require.ErrorContains(t, watch.check(t.Context()), "the log has 2 events and its seal vouches for 3")
}

// zeros is no chance at all.
type zeros struct{}

func (zeros) Read(p []byte) (int, error) {
	clear(p)
	return len(p), nil
}
