package main

import (
	"bytes"
	"flag"
	"fmt"
	"io"
	"testing"

	"github.com/stretchr/testify/require"
)

func help(t *testing.T, environ []string, args ...string) string {
	t.Helper()
	var out bytes.Buffer
	require.ErrorIs(t, run(t.Context(), args, environ, &out), flag.ErrHelp)
	return out.String()
}

// TestHelpTellsTheValueInForce: serve -h is the manual.
func TestHelpTellsTheValueInForce(t *testing.T) {
	t.Parallel()
	page := help(t, []string{"FIRSTOUT_RATE=17", "FIRSTOUT_CLOCK=manual"}, "serve", "--clock", "system", "--behind-proxy", "-h")
	for _, s := range settings {
		require.Contains(t, page, fmt.Sprintf("  --%s, %s", s.flag, s.variable))
		require.Contains(t, page, "\n      "+s.help+"\n")
	}
	for _, line := range []string{
		"--rate, FIRSTOUT_RATE = 17\n", "--clock, FIRSTOUT_CLOCK = system\n", "--behind-proxy, FIRSTOUT_BEHIND_PROXY = true\n",
		"--addr, FIRSTOUT_ADDR = 127.0.0.1:8080\n", "--tls-cert, FIRSTOUT_TLS_CERT\n",
	} {
		require.Contains(t, page, line)
	}
}

func TestHelpShowsNoPassword(t *testing.T) {
	t.Parallel()
	for address, shown := range map[string]string{
		"postgres://firstout:s3cret@db:5432/book?sslmode=verify-full":     "postgres://firstout:xxxxx@db:5432/book?sslmode=verify-full",
		"postgres://db/book?user=firstout&password=s3cret":                "postgres://db/book?password=xxxxx&user=firstout",
		"postgres://db/book?sslpassword=s3cret":                           "postgres://db/book?sslpassword=xxxxx",
		"host=db user=firstout password=s3cret":                           "host=db user=firstout password=xxxxx",
		`host=db password = 's3cret and s3cret\' too s3cret' dbname=book`: "host=db password = xxxxx dbname=book",
		"postgres://firstout:s3cret%@db/book":                             "(an address that cannot be read)",
	} {
		page := help(t, []string{"DATABASE_URL=" + address}, "serve", "-h")
		require.Contains(t, page, "DATABASE_URL = "+shown+"\n")
		require.NotContains(t, page, "s3cret")
	}
}

func TestEveryCommandHasAHelpPage(t *testing.T) {
	t.Parallel()
	whole := help(t, nil, "-h")
	require.Equal(t, whole, help(t, nil))
	for _, c := range subcommands {
		require.Contains(t, whole, fmt.Sprintf("  %-8s %s\n", c.name, c.does))
		require.Contains(t, help(t, nil, c.name, "-h"), "usage: firstout "+c.name)
	}
	for command, flags := range map[string][]string{
		"create": {"--name", "--role", "--site", "--expires", "counter, maker, owner, auditor, till"}, "list": {"--addr"}, "revoke": {"--name"}, "seal": {"--name", "--out = seal.key"},
	} {
		page := help(t, nil, "keys", command, "--help")
		for _, f := range flags {
			require.Contains(t, page, f, command)
		}
	}
	require.Contains(t, help(t, nil, "rebuild", "-h"), "--check = false")
	require.Contains(t, help(t, nil, "demo", "--days", "3", "-h"), "--days = 3")
	require.ErrorContains(t, run(t.Context(), []string{"sell"}, nil, io.Discard), "firstout -h")
	require.ErrorContains(t, run(t.Context(), []string{"keys", "steal"}, nil, io.Discard), "create, list, revoke or seal")
}

// TestHelpShowsNoSealingKey, nor what an address has in its query.
func TestHelpShowsNoSealingKey(t *testing.T) {
	t.Parallel()
	page := help(t, []string{"FIRSTOUT_SEAL_KEY=PRIVATE+KEY+a+12345678+s3cret", "FIRSTOUT_CHECKPOINT_WEBHOOK=https://example.com/in?token=s3cret"}, "serve", "-h")
	require.Contains(t, page, "FIRSTOUT_SEAL_KEY = (a key)\n")
	require.Contains(t, page, "FIRSTOUT_CHECKPOINT_WEBHOOK = https://example.com/in?token=xxxxx\n")
	require.NotContains(t, page, "s3cret")
	require.Contains(t, help(t, nil, "verify", "-h"), "--checkpoint")
}

// TestHelpOfAMistypedVariable: the page would show values that are not what was meant.
func TestHelpOfAMistypedVariable(t *testing.T) {
	t.Parallel()
	require.ErrorContains(t, run(t.Context(), []string{"serve", "-h"}, []string{"FIRSTOUT_RAET=5"}, io.Discard), "FIRSTOUT_RATE")
}
