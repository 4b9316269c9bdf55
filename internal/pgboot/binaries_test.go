package pgboot_test

import (
	"bytes"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"firstout/internal/pgboot"
)

// pretend makes a folder with programs that only say which version they are.
func pretend(t *testing.T, dir, version string) string {
	t.Helper()
	require.NoError(t, os.MkdirAll(dir, 0o755))
	for _, name := range []string{"postgres", "initdb"} {
		script := fmt.Sprintf("#!/bin/sh\necho '%s (PostgreSQL) %s'\n", name, version)
		require.NoError(t, os.WriteFile(filepath.Join(dir, name), []byte(script), 0o755))
	}
	return dir
}

func TestTheOrderOfLookup(t *testing.T) {
	t.Parallel()
	at := folder(t)
	named := pretend(t, at+"/named", "16.1")
	onPath := pretend(t, at+"/opt/pg", "17.2 (Debian 17.2-1)")
	links := filepath.Join(at, "links")
	require.NoError(t, os.Mkdir(links, 0o755))
	require.NoError(t, os.Symlink(filepath.Join(onPath, "postgres"), filepath.Join(links, "postgres"))) // initdb is not on PATH
	usual := at + "/usual/*/bin"
	pretend(t, at+"/usual/9.6/bin", "9.6.24")
	pretend(t, at+"/usual/15/bin", "15.18")
	newest := pretend(t, at+"/usual/18/bin", "18beta1")
	half := at + "/usual/19/bin"
	require.NoError(t, os.MkdirAll(half, 0o755))
	require.NoError(t, os.WriteFile(half+"/postgres", nil, 0o755))
	closed := pretend(t, at+"/usual/20/bin", "20.0")
	require.NoError(t, os.Chmod(closed+"/postgres", 0o644))
	cache := at + "/cache"
	fetched := pretend(t, cache+"/16.9.0/bin", "16.9")

	base := pgboot.Config{DataDir: at + "/data", CacheDir: cache, NoFetch: true}
	withName := base
	withName.BinDir = named
	for _, c := range []struct {
		name   string
		cfg    pgboot.Config
		major  int
		dir    string
		reason string
	}{
		{"named before all", withName.LookIn(links, usual), 0, named, "named in the configuration"},
		{"PATH next, its links followed", base.LookIn("/nonexistent:"+links, usual), 0, onPath, "on PATH"},
		{"then the newest of the usual", base.LookIn("", usual), 0, newest, "in a usual folder"},
		{"then what was fetched", base.LookIn(""), 0, fetched, "fetched earlier"},
		{"the cluster's version before the order", base.LookIn(links, usual), 15, at + "/usual/15/bin", "in a usual folder, and of the version that made the cluster"},
		{"also among the fetched", base.LookIn(links, usual), 16, fetched, "fetched earlier, and of the version that made the cluster"},
	} {
		dir, reason, err := pgboot.Find(t.Context(), c.cfg, c.major)
		require.NoError(t, err, c.name)
		require.Equal(t, c.dir, dir, c.name)
		require.Equal(t, c.reason, reason, c.name)
	}

	_, _, err := pgboot.Find(t.Context(), withName.LookIn(links, usual), 17)
	require.ErrorContains(t, err, named+" (named in the configuration): PostgreSQL 16, which does not read a cluster made by 17")
	require.ErrorContains(t, err, "elsewhere: not looked for")

	_, _, err = pgboot.Find(t.Context(), base.LookIn(links, usual), 14)
	var missing *pgboot.NotFoundError
	require.ErrorAs(t, err, &missing)
	require.Equal(t, 14, missing.Major)
	for _, line := range []string{
		"was made by PostgreSQL 14, and no server binaries of that version were found",
		onPath + " (on PATH): PostgreSQL 17, which does not read",
		"9.6/bin (in a usual folder): PostgreSQL 9, and 15 is the oldest that will do",
		half + " (in a usual folder): no initdb in it",
		closed + " (in a usual folder): postgres is not executable",
		"fetching: not allowed",
		"apt-get install postgresql-14", "begin with another data folder", "DATABASE_URL", "name the folder that holds them",
	} {
		require.ErrorContains(t, err, line)
	}
}

func TestNothingFound(t *testing.T) {
	t.Parallel()
	at := folder(t)
	_, err := pgboot.Start(t.Context(), pgboot.Config{DataDir: at + "/data", CacheDir: at + "/cache", NoFetch: true}.LookIn("/nonexistent", "/nonexistent/*/bin"))
	require.EqualError(t, err, strings.Join([]string{
		"postgres: no PostgreSQL server binaries found (postgres and initdb)",
		"looked in:",
		"  - PATH: no postgres in it",
		"  - /nonexistent/*/bin: no such folder",
		"  - " + at + "/cache/*/bin: no such folder",
		"  - fetching: not allowed",
		"ways out:",
		"  - install them: apt-get install postgresql, or your system's package of that kind",
		"  - name the folder that holds them in the configuration",
		"  - let them be fetched: give this machine a network, or behind a proxy set HTTPS_PROXY",
		"  - use a server that runs elsewhere, Docker's for instance: set DATABASE_URL",
	}, "\n"))
}

func TestBinariesThatTheServersUserCannotReach(t *testing.T) {
	t.Parallel()
	if !isRoot(t) {
		return
	}
	at := folder(t)
	bin := pretend(t, at+"/closed/bin", "17.1")
	require.NoError(t, os.Chmod(at+"/closed", 0o700))
	_, _, err := pgboot.Find(t.Context(), pgboot.Config{DataDir: at + "/data", BinDir: bin, NoFetch: true}, 0)
	require.ErrorContains(t, err, at+"/closed (mode 0700) does not let user ")
}

// TestTheClustersOwnVersionIsStarted puts a newer version first on PATH and wants the cluster's own to be found behind it.
func TestTheClustersOwnVersionIsStarted(t *testing.T) {
	t.Parallel()
	dir := withCluster(t)
	own, _, err := pgboot.Find(t.Context(), throwaway(dir), 0)
	require.NoError(t, err)
	other := pretend(t, folder(t)+"/bin", "99.1")
	var log bytes.Buffer
	cfg := throwaway(dir).LookIn(other, own)
	cfg.Log = slog.New(slog.NewTextHandler(&log, nil))
	s := start(t, cfg)
	require.Equal(t, "in", ask(t, s.URL("postgres", pgboot.Superuser), "SELECT 'in'"))
	require.Equal(t, 1, strings.Count(log.String(), "\n"), "one line: %s", &log)
	require.Contains(t, log.String(), `reason="in a usual folder, and of the version that made the cluster"`)
	require.Contains(t, log.String(), "binaries="+own)
}
