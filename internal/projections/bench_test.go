package projections_test

import (
	"context"
	"fmt"
	"os"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/jackc/pgx/v5/pgxpool"
	"github.com/stretchr/testify/require"

	"firstout/internal/events"
	"firstout/internal/pgtest"
	"firstout/internal/projections"
)

// benchDays is how many days of work the book has that is measured: BENCH_DAYS=3650 for ten years, with some 730,000
// edges. An ordinary run only sees that it works.
func benchDays(b *testing.B) int {
	b.Helper()
	text := os.Getenv("BENCH_DAYS")
	if text == "" {
		return 60
	}
	days, err := strconv.Atoi(text)
	require.NoError(b, err)
	return days
}

// aBook is a book of so many days: each with two tanks that are topped up and every 30 days emptied, each third time cleaned, ten
// fillings of three lots and a tank each, and 40 runs, which are cast, filled and capped, stand at the counter for
// five days and are sold in five sales; one a day leaves a film in its tank. A lot of cream lasts two days. Only what a trace and its
// neighbours read is there.
var aBook = []string{
	`CREATE FUNCTION pg_temp.code(letter text, day int, n int) RETURNS text LANGUAGE sql AS
		$$ SELECT letter || to_char(date '2016-01-01' + day, 'YYMMDD') || '-' || lpad(n::text, 2, '0') || '-0' $$`,
	`CREATE FUNCTION pg_temp.at(day int, minute int) RETURNS timestamptz LANGUAGE sql AS
		$$ SELECT timestamptz '2016-01-01 06:00Z' + day * interval '1 day' + minute * interval '1 minute' $$`,
	`CREATE TEMP TABLE made AS
	SELECT *, row_number() OVER (ORDER BY at, letter, n) AS position FROM (
		SELECT 'L' AS letter, d AS day, n, pg_temp.at(d, 0) AS at FROM generate_series(0, $1::int - 1) d, generate_series(1, 5) n
		UNION ALL SELECT 'C', d, n, pg_temp.at(d, 5) FROM generate_series(0, $1 - 1, 30) d, generate_series(1, 2) n
		UNION ALL SELECT 'G', d, n, pg_temp.at(d, 30 + n) FROM generate_series(0, $1 - 1) d, generate_series(1, 10) n
		UNION ALL SELECT 'R', d, n, pg_temp.at(d, 60 + 5 * n) FROM generate_series(0, $1 - 1) d, generate_series(1, 40) n
	) things`,
	`INSERT INTO things (code, kind, day, sequence, part, subject, site, occurred_at, position, unfinished, supplier, supplier_lot, state)
	SELECT pg_temp.code(letter, day, n), CASE letter WHEN 'L' THEN 'lot' WHEN 'C' THEN 'charge' WHEN 'G' THEN 'ganache' ELSE 'run' END,
		to_char(date '2016-01-01' + day, 'YYMMDD')::int, n, 0, 'subject-' || n % 12, 'quay-lane', at, position, false, 'example-dairy', 'S-' || day,
		jsonb_build_object('supplier', 'example-dairy', 'supplier_lot', 'S-' || day)
	FROM made`,
	`INSERT INTO edges (position, number, from_code, to_code, occurred_at, mass_mg, ingredient)
	SELECT row_number() OVER (ORDER BY at, number), number, from_code, to_code, at, mass, '' FROM (
		SELECT 0 AS number, pg_temp.code('L', d, 3 + v) AS from_code, pg_temp.code('C', d / 30 * 30, v) AS to_code, pg_temp.at(d, 6) AS at, 8000000 AS mass
		FROM generate_series(0, $1::int - 1) d, generate_series(1, 2) v
		UNION ALL SELECT 0, pg_temp.code('C', d - 30, v), pg_temp.code('C', d, v), pg_temp.at(d, 5), 0 FROM generate_series(30, $1 - 1, 30) d, generate_series(1, 2) v WHERE d / 30 % 3 <> 0
		UNION ALL SELECT i, CASE WHEN i = 0 THEN pg_temp.code('C', d / 30 * 30, 1 + n % 2) ELSE pg_temp.code('L', CASE WHEN i = 1 THEN d / 2 * 2 ELSE d END, i) END,
			pg_temp.code('G', d, n), pg_temp.at(d, 30 + n), 400000
		FROM generate_series(0, $1 - 1) d, generate_series(1, 10) n, generate_series(0, 3) i
		UNION ALL SELECT i, CASE i WHEN 1 THEN pg_temp.code('G', d, 1 + n % 10) ELSE pg_temp.code('C', d / 30 * 30, 1 + n % 2) END,
			pg_temp.code('R', d, n), pg_temp.at(d, 60 + 5 * n), 600000
		FROM generate_series(0, $1 - 1) d, generate_series(1, 40) n, generate_series(0, 2) i
		UNION ALL SELECT 3, pg_temp.code('R', d, n), pg_temp.code('C', d / 30 * 30, 1 + n % 2), pg_temp.at(d, 60 + 5 * n), 0
		FROM generate_series(0, $1 - 1) d, generate_series(1, 40) n WHERE n = 1
	) e`,
	`INSERT INTO movements (position, number, occurred_at, day, code, place, grade, unreleased, subject, delta, weight_mg, cause, reason, destination, other, channel, buyer, reference, how, event)
	SELECT row_number() OVER (ORDER BY pg_temp.at(d + k, 200 + n)), 0, pg_temp.at(d + k, 200 + n), date '2016-01-01' + d + k, pg_temp.code('R', d, n), 'counter', 'first', false,
		'subject-' || n % 12, CASE k WHEN 0 THEN 100 ELSE -20 END, 0, CASE k WHEN 0 THEN 'released' ELSE 'sold' END, '', '', '', '', '', '', 'presumed', gen_random_uuid()
	FROM generate_series(0, $1::int - 1) d, generate_series(1, 40) n, generate_series(0, 5) k WHERE d + k < $1`,
	`INSERT INTO stock (code, place, grade, unreleased, subject, site, amount, held, date_kind, piece_mg, arrived_at, last_at)
	SELECT pg_temp.code('R', d, n), 'counter', 'first', false, 'subject-' || n % 12, 'quay-lane', greatest(0, 100 - 20 * ($1::int - 1 - d)), false, '', 12000,
		pg_temp.at(d, 200 + n), pg_temp.at(least(d + 5, $1 - 1), 200 + n)
	FROM generate_series(0, $1 - 1) d, generate_series(1, 40) n`,
	`ANALYZE things, edges, movements, stock`,
}

func openBenchBook(b *testing.B, days int) *pgxpool.Pool {
	b.Helper()
	db := pgtest.New(b)
	conn, err := db.Owner.Acquire(b.Context())
	require.NoError(b, err)
	defer conn.Release()
	for _, sql := range aBook {
		args := []any{}
		if strings.Contains(sql, "$1") {
			args = append(args, days)
		}
		_, err := conn.Exec(b.Context(), sql, args...)
		require.NoError(b, err, sql)
	}
	return db.App
}

// against measures a question beside a bare round trip, one after the other, and tells how many of those it takes: what
// else the machine does meets both.
func against(b *testing.B, pool *pgxpool.Pool, ask func(ctx context.Context)) {
	b.Helper()
	ctx := b.Context()
	for range 20 {
		ask(ctx)
	}
	var bare, asked []time.Duration
	one := 0
	for b.Loop() {
		start := time.Now()
		require.NoError(b, pool.QueryRow(ctx, "SELECT 1").Scan(&one))
		middle := time.Now()
		ask(ctx)
		bare, asked = append(bare, middle.Sub(start)), append(asked, time.Since(middle))
	}
	b.ReportMetric(float64(median(asked))/float64(median(bare)), "×select_1")
	b.ReportMetric(float64(median(asked))/1e6, "ms")
}

func median(of []time.Duration) time.Duration {
	slices.Sort(of)
	return of[len(of)/2]
}

// BenchmarkTrace traces a piece back to its lots: of the second day of a charge, and of its last, by when it may contain
// what a month of scrapings brought; a lot of cream forward; and a loose piece of the last day and of one long ago to its
// candidates. How much the traces lead over is told beside the time.
func BenchmarkTrace(b *testing.B) {
	days := benchDays(b)
	pool := openBenchBook(b, days)
	code := func(letter string, day, n int) events.Code {
		return events.Code(fmt.Sprintf("%s%s-%02d-0", letter, time.Date(2016, 1, 1+day, 0, 0, 0, 0, time.UTC).Format("060102"), n))
	}
	last := days - 1
	for _, c := range []struct {
		name  string
		of    events.Code
		trace func(context.Context, projections.Querier, events.Code) (projections.Trace, error)
	}{
		{"back", code("R", 1, 20), projections.TraceBack},
		{"back-after-a-month", code("R", 29, 21), projections.TraceBack},
		{"back-of-the-last-day", code("R", last, 20), projections.TraceBack},
		{"forward", code("L", last/2*2, 1), projections.TraceForward},
	} {
		b.Run(c.name, func(b *testing.B) {
			edges := 0
			against(b, pool, func(ctx context.Context) {
				trace, err := c.trace(ctx, pool, c.of)
				require.NoError(b, err)
				require.NotEmpty(b, trace.Edges)
				edges = len(trace.Edges)
			})
			b.ReportMetric(float64(edges), "edges")
		})
	}
	for name, day := range map[string]int{"candidates": last, "candidates-long-ago": days / 10} {
		from := time.Date(2016, 1, 1+day, 8, 0, 0, 0, time.UTC)
		b.Run(name, func(b *testing.B) {
			against(b, pool, func(ctx context.Context) {
				found, err := projections.Candidates(ctx, pool, "subject-1", from, from.Add(8*time.Hour), []string{"counter"})
				require.NoError(b, err)
				require.NotEmpty(b, found)
			})
		})
	}
}
