package reliability_test

import (
	"context"
	"fmt"
	"maps"
	"slices"
	"sync"
	"testing"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgxpool"
	"github.com/stretchr/testify/require"
)

// A ledger is kept by the clients: what they were told is sold, by key.
type ledger struct {
	mu   sync.Mutex
	told map[string]int // pieces
}

func newLedger() *ledger { return &ledger{told: map[string]int{}} }

func (l *ledger) note(key string, pieces int) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.told[key] = pieces
}

func (l *ledger) sales() int {
	l.mu.Lock()
	defer l.mu.Unlock()
	return len(l.told)
}

// sold is one pieces_sold of the log, as the log has it.
type sold struct {
	Key    string
	Pieces int
}

// reckon holds what was told against what stands in the log: sales that are not there, and sales that are there twice, with other
// pieces than were told, or though nobody was told of them. All clients have been answered by then.
func reckon(told map[string]int, log []sold) (lost, surplus []string) {
	there := map[string]int{}
	for _, s := range log {
		if there[s.Key]++; there[s.Key] > 1 {
			surplus = append(surplus, s.Key+" stands there again")
		}
		if pieces, known := told[s.Key]; !known || pieces != s.Pieces {
			surplus = append(surplus, fmt.Sprintf("%s is of %d pieces, told %d", s.Key, s.Pieces, pieces))
		}
	}
	for _, key := range slices.Sorted(maps.Keys(told)) {
		if there[key] == 0 {
			lost = append(lost, key)
		}
	}
	return lost, surplus
}

// soldOf reads every sale of a run out of the log.
func soldOf(ctx context.Context, db *pgxpool.Pool, run string) ([]sold, error) {
	rows, err := db.Query(ctx, `
SELECT key, (SELECT sum((allocation ->> 'pieces')::int)
             FROM jsonb_array_elements(canonical::jsonb -> 'data' -> 'lines') line, jsonb_array_elements(line -> 'allocations') allocation)::int AS pieces
FROM event_codes JOIN log USING (position) WHERE code = $1 AND type = 'pieces_sold'`, run)
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, pgx.RowToStructByName[sold])
}

// onHand is what the tables say stands of a run.
func onHand(ctx context.Context, db *pgxpool.Pool, run string) (pieces int, err error) {
	err = db.QueryRow(ctx, `SELECT coalesce(sum(amount), 0)::int FROM stock WHERE code = $1`, run).Scan(&pieces)
	return pieces, err
}

// balance wants nothing lost, nothing surplus, and of the run what is left by what was told.
func (l *ledger) balance(t testing.TB, db *pgxpool.Pool, run string) {
	t.Helper()
	log, err := soldOf(t.Context(), db, run)
	require.NoError(t, err)
	lost, surplus := reckon(l.told, log)
	require.Empty(t, lost, "sales that were answered and are not in the log")
	require.Empty(t, surplus, "sales that nobody was told of like that")
	left := stockOfAll
	for _, pieces := range l.told {
		left -= pieces
	}
	is, err := onHand(t.Context(), db, run)
	require.NoError(t, err)
	require.Equal(t, left, is, "pieces on hand")
}

// TestTheLedgerSeesLossAndSurplus is the canary of every test that keeps one.
func TestTheLedgerSeesLossAndSurplus(t *testing.T) {
	t.Parallel()
	told := map[string]int{"a": 1, "b": 2}
	lost, surplus := reckon(told, []sold{{"a", 1}, {"b", 2}})
	require.Empty(t, lost)
	require.Empty(t, surplus)
	lost, _ = reckon(told, []sold{{"a", 1}})
	require.Equal(t, []string{"b"}, lost)
	for name, log := range map[string][]sold{
		"twice":            {{"a", 1}, {"b", 2}, {"b", 2}},
		"other pieces":     {{"a", 1}, {"b", 3}},
		"never asked for":  {{"a", 1}, {"b", 2}, {"c", 1}},
		"under a new key":  {{"a", 1}, {"b", 2}, {"b-again", 2}},
		"of nobody at all": {{"a", 1}, {"b", 2}, {"", 1}},
	} {
		_, surplus = reckon(told, log)
		require.NotEmpty(t, surplus, name)
	}
}
