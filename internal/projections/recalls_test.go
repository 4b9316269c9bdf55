package projections_test

import (
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"firstout/internal/pgtest"
	"firstout/internal/projections"
)

// Years of runs sold out at one counter, most of them long ago: what a recall asks must find the few that it is about
// without going through the others.
const soldOut = `
CREATE FUNCTION pg_temp.sold_out(n int) RETURNS text LANGUAGE sql AS
    $$ SELECT 'R' || to_char(now() - n * interval '1 hour', 'YYMMDD') || '-' || n || '-X' $$;
INSERT INTO things (code, kind, day, sequence, part, subject, site, occurred_at, position, unfinished, supplier, supplier_lot, state)
SELECT 'L' || n, 'lot', n, 1, 0, 'cream-35', 'quay-lane', now() - n * interval '1 hour', n, false, 'example-dairy', 'CR-' || n, '{}'
FROM generate_series(1, 20000) n;
INSERT INTO stock (code, place, grade, unreleased, subject, site, amount, held, date_kind, date, ends_by, piece_mg, arrived_at, last_at)
SELECT pg_temp.sold_out(n), 'counter', 'first', false, 'dome', 'quay-lane', CASE WHEN n <= 20 THEN 5 ELSE 0 END, false, 'use_by', now(),
    now() - n * interval '1 hour' + interval '14 days', 11700, now() - n * interval '1 hour', now() - n * interval '1 hour'
FROM generate_series(1, 20000) n;
INSERT INTO movements (position, number, occurred_at, day, code, place, grade, unreleased, subject, delta, weight_mg, cause, reason,
    destination, other, channel, buyer, reference, how, event)
SELECT n * 10 + k, 0, now() - n * interval '1 hour' + k * interval '1 minute', now(), pg_temp.sold_out(n), 'counter', 'first', false, 'dome',
    CASE WHEN k = 0 THEN 5 ELSE -1 END, 11700, CASE WHEN k = 0 THEN 'released' ELSE 'sold' END, '', '', '', 'counter', '', '', 'presumed', gen_random_uuid()
FROM generate_series(1, 20000) n, generate_series(0, 4) k;
ANALYZE things, stock, movements;`

func TestWhatARecallAsksIsFoundByAnIndex(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	_, err := db.Owner.Exec(t.Context(), soldOut)
	require.NoError(t, err)
	var codes []string
	require.NoError(t, db.Owner.QueryRow(t.Context(), "SELECT array_agg(code) FROM stock WHERE code SIMILAR TO '%-(300|301|302)-X'").Scan(&codes))
	require.Len(t, codes, 3)
	now := time.Now()
	for name, args := range map[string][]any{
		"recall_movements": {codes},
		"recall_stood":     {codes},
		"load_supplied":    {[]string{"example-dairy", "example-dairy"}, []string{"CR-7", ""}, []time.Time{now, now.Add(-48 * time.Hour)}, []time.Time{now, now}},
	} {
		rows, err := db.Owner.Query(t.Context(), "EXPLAIN (ANALYZE, COSTS OFF, TIMING OFF) "+projections.Statements[name], args...)
		require.NoError(t, err)
		var plan []string
		for rows.Next() {
			var line string
			require.NoError(t, rows.Scan(&line))
			plan = append(plan, line)
		}
		require.NoError(t, rows.Err())
		for _, line := range plan {
			for _, large := range []string{"on things", "on stock", "on movements"} {
				require.NotContains(t, line, "Seq Scan "+large, "%s reads a whole table:\n%s", name, strings.Join(plan, "\n"))
			}
		}
	}
}
