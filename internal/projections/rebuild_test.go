package projections_test

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"
	"github.com/jackc/pgx/v5/pgxpool"
	"github.com/stretchr/testify/require"

	"firstout/internal/events"
	"firstout/internal/events/eventlog"
	"firstout/internal/projections"
	"firstout/internal/workshop"
)

func noDifference(t *testing.T, pool *pgxpool.Pool) {
	t.Helper()
	differences, err := projections.Diff(t.Context(), pool)
	require.NoError(t, err)
	require.Empty(t, differences)
}

func texts(t *testing.T, q projections.Querier, sql string) []string {
	t.Helper()
	rows, err := q.Query(t.Context(), sql)
	require.NoError(t, err)
	found, err := pgx.CollectRows(rows, pgx.RowTo[string])
	require.NoError(t, err)
	return found
}

func TestARebuildEqualsTheTablesInUse(t *testing.T) {
	t.Parallel()
	b := openBook(t)
	noDifference(t, b.owner)
	writeStory(t, b)
	noDifference(t, b.owner)
	before, rows := schemaOf(t, b.pool), texts(t, b.pool, "SELECT t::text FROM things t ORDER BY code")

	for projection := 2; projection <= 3; projection++ {
		rebuilt, err := projections.Rebuild(t.Context(), b.owner)
		require.NoError(t, err)
		require.Equal(t, projections.Rebuilt{Position: b.head.Position, Projection: projection}, rebuilt)
	}

	head, err := eventlog.ReadHead(t.Context(), b.pool)
	require.NoError(t, err)
	require.Equal(t, 3, head.Projection)
	require.Equal(t, before, schemaOf(t, b.pool))
	require.Equal(t, rows, texts(t, b.pool, "SELECT t::text FROM things t ORDER BY code"))
	require.Empty(t, texts(t, b.pool, "SELECT nspname FROM pg_namespace WHERE nspname LIKE 'firstout%'"))
	noDifference(t, b.owner)
}

func TestARebuildMendsWhatDiffFinds(t *testing.T) {
	t.Parallel()
	b := openBook(t)
	writeStory(t, b)
	for _, spoil := range []string{
		"UPDATE stock SET amount = amount + 1 WHERE code = '" + string(run) + "' AND grade = 'first' AND NOT unreleased AND place = 'counter'",
		"DELETE FROM movements WHERE position = 32",
		"UPDATE things SET state = state || '{\"good\": 71}' WHERE code = '" + string(run) + "'",
		"INSERT INTO sequences VALUES ('box', '2026-11-25', 1)",
	} {
		_, err := b.owner.Exec(t.Context(), spoil)
		require.NoError(t, err)
	}
	differences, err := projections.Diff(t.Context(), b.owner)
	require.NoError(t, err)
	found := map[string]int{}
	for _, d := range differences {
		found[d.Side+" "+d.Table]++
	}
	require.Equal(t, map[string]int{
		"live stock": 1, "log stock": 1, "log movements": 1, "live things": 1, "log things": 1, "live sequences": 1,
	}, found)

	_, err = projections.Rebuild(t.Context(), b.owner)
	require.NoError(t, err)
	noDifference(t, b.owner)
}

func TestOneRebuildAtATime(t *testing.T) {
	t.Parallel()
	b := openBook(t)
	conn, err := b.owner.Acquire(t.Context())
	require.NoError(t, err)
	defer conn.Release()
	_, err = conn.Exec(t.Context(), "SELECT pg_advisory_lock($1)", projections.RebuildLock)
	require.NoError(t, err)
	_, err = projections.Rebuild(t.Context(), b.owner)
	require.ErrorContains(t, err, "another rebuild of this book is going on")
}

// TestWhoStillReadsReplacedTablesEndsNothing: a reader with a plan of before locks one old table and then another, whichever
// comes first in the plan, while both are to be dropped.
func TestWhoStillReadsReplacedTablesEndsNothing(t *testing.T) {
	t.Parallel()
	b := openBook(t)
	for _, order := range [][2]string{{"things", "stock"}, {"stock", "things"}} {
		for _, sql := range []string{
			"CREATE SCHEMA firstout_replaced", "CREATE TABLE firstout_replaced.things ()", "CREATE TABLE firstout_replaced.stock ()",
		} {
			_, err := b.owner.Exec(t.Context(), sql)
			require.NoError(t, err)
		}
		tx, err := b.owner.Begin(t.Context())
		require.NoError(t, err)
		lock := func(table string) error {
			_, err := tx.Exec(t.Context(), "LOCK TABLE firstout_replaced."+table+" IN ACCESS SHARE MODE")
			return err
		}
		require.NoError(t, lock(order[0]))
		rebuilt := make(chan error, 1)
		go func() {
			_, err := projections.Rebuild(t.Context(), b.owner)
			rebuilt <- err
		}()
		waited := func() bool {
			held := texts(t, b.pool, "SELECT mode FROM pg_locks WHERE NOT granted AND database = (SELECT oid FROM pg_database WHERE datname = current_database())")
			return len(held) > 0
		}
		require.Eventually(t, waited, time.Minute, time.Millisecond)
		refused := new(pgconn.PgError)
		if err := lock(order[1]); errors.As(err, &refused) {
			require.Equal(t, "42P01", refused.Code, "it may be gone: %v", err)
		} else {
			require.NoError(t, err)
		}
		require.NoError(t, tx.Rollback(t.Context()))
		require.NoError(t, <-rebuilt)
	}
	noDifference(t, b.owner)
}

func TestARebuildStopsWhereTheLogHasAGap(t *testing.T) {
	t.Parallel()
	b := openBook(t)
	writeStory(t, b)
	for _, sql := range []string{
		"ALTER TABLE log DISABLE TRIGGER append_only", "DELETE FROM log WHERE position = 34", "ALTER TABLE log ENABLE ALWAYS TRIGGER append_only",
	} {
		_, err := b.owner.Exec(t.Context(), sql)
		require.NoError(t, err)
	}
	_, err := projections.Rebuild(t.Context(), b.owner)
	require.ErrorContains(t, err, "position 35 follows on 33: the log has a gap")
	require.Equal(t, []string{"1"}, texts(t, b.pool, "SELECT projection::text FROM head"))
}

func TestARebuildWritesWhatGrowsInPortions(t *testing.T) {
	t.Parallel()
	b := openBook(t)
	writeStory(t, b)
	_, err := projections.RebuildBy(t.Context(), b.owner, 7)
	require.NoError(t, err)
	noDifference(t, b.owner)
}

// Readers see the pieces released either standing or sold, and nothing else, at every moment of a rebuild under
// sales; and nobody gets an error.
func TestReadersAndWritersGoOnDuringARebuild(t *testing.T) {
	t.Parallel()
	b := openBook(t)
	writeStory(t, b)
	const more = 40_000
	require.NoError(t, b.write(t.Context(), clock(20, 0), events.StockCounted{Place: "counter", Lines: []events.CountedLine{
		{StockOf: events.StockOf{Code: run, Grade: "first"}, Found: events.Amount{Pieces: more}, Had: events.Amount{Pieces: 16}},
	}}))
	const pieces = `SELECT (SELECT sum(amount) FROM stock WHERE subject = 'bay-dome' AND open AND place = 'counter' AND grade = 'first' AND NOT unreleased)
		+ (SELECT sum(pieces) FROM daily_sales WHERE place = 'counter')`
	var expected, sales int64
	require.NoError(t, b.pool.QueryRow(t.Context(), pieces).Scan(&expected))

	working, stop := context.WithCancel(t.Context())
	var workers sync.WaitGroup
	var reads atomic.Int64
	failed := make(chan error, 8)
	work := func(once func() error) {
		workers.Go(func() {
			for working.Err() == nil {
				if err := once(); err != nil {
					failed <- err
					return
				}
			}
		})
	}
	for range 2 {
		work(func() error {
			var found int64
			if err := b.pool.QueryRow(t.Context(), pieces).Scan(&found); err != nil {
				return err
			}
			reads.Add(1)
			if found != expected {
				return fmt.Errorf("%d pieces, and not %d", found, expected)
			}
			_, err := projections.PickLines(t.Context(), b.pool, "counter", "bay-dome")
			return err
		})
	}
	work(func() error {
		sales++
		if sales > more {
			return errors.New("sold out")
		}
		return b.write(t.Context(), clock(20, 1), events.PiecesSold{Place: "counter", Channel: "counter", Lines: []events.SoldLine{
			{Design: "bay-dome", Allocations: []events.Allocation{{Code: run, Grade: "first", Pieces: 1}}},
		}})
	})
	for range 3 {
		_, err := projections.Rebuild(t.Context(), b.owner)
		require.NoError(t, err)
	}
	stop()
	workers.Wait()
	close(failed)
	for err := range failed {
		require.NoError(t, err)
	}
	require.Positive(t, reads.Load())
	noDifference(t, b.owner)
}

func TestSavingNothingQueuesNothing(t *testing.T) {
	t.Parallel()
	batch := &pgx.Batch{}
	require.NoError(t, projections.QueueSave(batch, workshop.NewSet(&workshop.Definitions{}, false), nil))
	require.Zero(t, batch.Len())
}

// A sale may touch the tables of stock, movements and daily sales and no other.
func TestASaleSavesThreeTables(t *testing.T) {
	t.Parallel()
	b := openBook(t)
	writeStory(t, b)
	fork := b.set.Fork()
	sale := events.Recorded{Position: 43, OccurredAt: clock(20, 0), Data: events.PiecesSold{Place: "counter", Lines: []events.SoldLine{
		{Design: "bay-dome", Allocations: []events.Allocation{{Code: run, Grade: "first", Pieces: 1}}},
	}}}
	require.NoError(t, fork.Apply(sale))
	batch := &pgx.Batch{}
	require.NoError(t, projections.QueueSave(batch, fork, []events.Recorded{sale}))
	require.Equal(t, 3, batch.Len())
}
