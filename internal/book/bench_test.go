package book_test

import (
	"context"
	"fmt"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/jackc/pgx/v5/pgxpool"
	"github.com/stretchr/testify/require"

	"firstout/internal/book"
	"firstout/internal/events"
	"firstout/internal/pgtest"
	"firstout/internal/workshop"
)

// BenchmarkDo measures commands against what the same number of callers get from the same database with one INSERT of
// 500 bytes each, in alternating windows of one run: only the ratio tells something on a machine with neighbours.
// Figures that count need a server that waits for its disk, named in TEST_DATABASE_URL; the tests' own does not.
func BenchmarkDo(b *testing.B) {
	for _, kind := range []string{"check", "discard"} { // one event; the same with a line of stock that all take from
		for _, callers := range []int{1, 8, 32, 64} {
			b.Run(fmt.Sprintf("%s/callers=%d", kind, callers), func(b *testing.B) { benchmarkDo(b, kind, callers) })
		}
	}
}

const windows = 10 // of each sort

func benchmarkDo(b *testing.B, kind string, callers int) {
	db := pgtest.New(b)
	config := db.App.Config()
	config.MaxConns = int32(callers)
	pool, err := pgxpool.NewWithConfig(b.Context(), config)
	require.NoError(b, err)
	defer pool.Close()
	_, err = db.Owner.Exec(b.Context(), `
CREATE TABLE bare (id bigint GENERATED ALWAYS AS IDENTITY PRIMARY KEY, payload text NOT NULL);
GRANT SELECT, INSERT ON bare TO PUBLIC`)
	require.NoError(b, err)
	bench := open(b, pool, book.Options{})
	lot := receiveSugar(b, bench, 1_000_000*events.Gram)
	var cmd workshop.Command = workshop.Check{Slug: "counter", Kind: "cleaning", Result: "pass"}
	if kind == "discard" {
		cmd = discard(lot, 1)
	}
	payload := strings.Repeat("x", 500)

	var key atomic.Int64
	insert := func(ctx context.Context) error {
		_, err := pool.Exec(ctx, "INSERT INTO bare (payload) VALUES ($1)", payload)
		return err
	}
	carry := func(ctx context.Context) error {
		_, err := bench.Do(ctx, request(fmt.Sprintf("b%d", key.Add(1)), cmd))
		return err
	}
	window(b, callers, callers, insert) // connections and statements are ready
	window(b, callers, callers, carry)
	var inserting, carrying time.Duration
	each := max(b.N/windows, callers)
	b.ResetTimer()
	for range windows {
		inserting += window(b, callers, each, insert)
		carrying += window(b, callers, each, carry)
	}
	n := float64(windows * each)
	b.ReportMetric(float64(carrying.Nanoseconds())/n, "ns/op")
	b.ReportMetric(n/carrying.Seconds(), "do/s")
	b.ReportMetric(n/inserting.Seconds(), "insert/s")
	b.ReportMetric(inserting.Seconds()/carrying.Seconds(), "do/insert")
}

// window lets callers do something n times between them and gives how long that took.
func window(b *testing.B, callers, n int, do func(context.Context) error) time.Duration {
	b.Helper()
	var left atomic.Int64
	left.Store(int64(n))
	var all sync.WaitGroup
	failed := make(chan error, callers)
	start := time.Now()
	for range callers {
		all.Go(func() {
			for left.Add(-1) >= 0 {
				if err := do(b.Context()); err != nil {
					failed <- err
					return
				}
			}
		})
	}
	all.Wait()
	took := time.Since(start)
	select {
	case err := <-failed:
		require.NoError(b, err)
	default:
	}
	return took
}
