package eventlog_test

import (
	"testing"
	"time"

	"github.com/jackc/pgx/v5/pgxpool"
	"github.com/stretchr/testify/require"

	"firstout/internal/events/eventlog"
	"firstout/internal/pgtest"
)

// TestOneBrokenConnectionGivesUpTheOthers ends every session of a pool: one question pays for it, and not one for each.
func TestOneBrokenConnectionGivesUpTheOthers(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	pool, err := eventlog.OpenPool(t.Context(), db.AppURL, 4, time.Minute)
	require.NoError(t, err)
	defer pool.Close()
	var open []*pgxpool.Conn
	for range 4 {
		conn, err := pool.Acquire(t.Context())
		require.NoError(t, err)
		open = append(open, conn)
	}
	for _, conn := range open {
		_, err := db.App.Exec(t.Context(), "SELECT pg_terminate_backend($1, 10000)", conn.Conn().PgConn().PID())
		require.NoError(t, err)
	}
	for _, conn := range open {
		conn.Release()
	}
	failed := 0
	for range 8 {
		if _, err := eventlog.ReadHead(t.Context(), pool); err != nil {
			require.True(t, eventlog.Away(err), "%v", err)
			failed++
		}
	}
	require.LessOrEqual(t, failed, 1, "a slow machine may have had one pinged")
}

// TestTheServerEndsWhatTakesTooLong: the limits of a pool are the server's too.
func TestTheServerEndsWhatTakesTooLong(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	pool, err := eventlog.OpenPool(t.Context(), db.AppURL, 4, 50*time.Millisecond)
	require.NoError(t, err)
	defer pool.Close()
	_, err = pool.Exec(t.Context(), "SELECT pg_sleep(60)")
	require.ErrorContains(t, err, "57014")
	require.True(t, eventlog.Away(err))
	for setting, want := range map[string]string{"lock_timeout": "50ms", "idle_in_transaction_session_timeout": "50ms", "jit": "off"} {
		var is string
		require.NoError(t, pool.QueryRow(t.Context(), "SELECT current_setting($1)", setting).Scan(&is))
		require.Equal(t, want, is, setting)
	}
}
