package main

import (
	"net/http"
	"testing"

	"github.com/stretchr/testify/require"
)

// TestWhoReadsMetrics: this machine without a key, unless a proxy stands in front, behind which everybody seems to be
// on it; else an owner.
func TestWhoReadsMetrics(t *testing.T) {
	t.Parallel()
	plain, proxied := environment(t), environment(t, "FIRSTOUT_BEHIND_PROXY=true")
	base := served(t, plain)
	status, body := get(t, base+"/metrics", "")
	require.Equal(t, http.StatusOK, status)
	for _, name := range []string{
		`firstout_database_connections{state="idle"}`, "firstout_database_connections_max ", "firstout_log_position ", "firstout_database_up 1",
		"firstout_group_commands_count ", "go_goroutines ", "firstout_database_acquires_total ",
		"firstout_sealed_position 0", "firstout_seal_lag_events 0", "firstout_seal_lag_seconds 0",
	} {
		require.Contains(t, body, "\n"+name)
	}

	base = served(t, proxied)
	status, _ = get(t, base+"/metrics", "")
	require.Equal(t, http.StatusUnauthorized, status)
	status, _ = get(t, base+"/metrics", key(t, proxied, "front", "counter", "auditor"))
	require.Equal(t, http.StatusForbidden, status)
	status, _ = get(t, base+"/metrics", key(t, proxied, "me", "owner"))
	require.Equal(t, http.StatusOK, status)
}
