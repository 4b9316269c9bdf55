// Package pgtest gives a test a PostgreSQL database of its own, with the schema in place, in about a tenth of a second. A package that
// uses it says so once:
//
//	func TestMain(m *testing.M) { os.Exit(pgtest.Main(m)) }
//
// The server is that of TEST_DATABASE_URL (a superuser's address; a cluster for tests, as the product's roles get passwords there),
// else a private one started for this test process by pgboot, else a container; TEST_POSTGRES=container takes the container and
// nothing else. Where there is none of these the test fails: a database test is never skipped.
package pgtest

import (
	"context"
	"strconv"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgxpool"
	"github.com/stretchr/testify/require"

	"firstout/migrations"
)

// DB is one test's database. Both pools are closed and the database is dropped when the test ends, after everything that the test
// itself registered with t.Cleanup once it had the database: a check of the whole book registered there still finds it.
type DB struct {
	Owner *pgxpool.Pool // migrations.OwnerRole: owns the tables, migrates and rebuilds
	App   *pgxpool.Pool // migrations.AppRole: what serves; it owns nothing

	OwnerURL     string
	AppURL       string
	SuperuserURL string // for what only the cluster's superuser sees or may do
}

const (
	ownerConnections = 4
	appConnections   = 16
	// closeWait is what a test's connections get to come back to their pools.
	closeWait = 10 * time.Second
)

// New gives a database with the newest schema. Tests may run in parallel.
func New(t testing.TB) *DB {
	t.Helper()
	return theEngine(t).clone(t, migrated)
}

// Empty gives a database with its roles and no schema at all: for tests of the way there.
func Empty(t testing.TB) *DB {
	t.Helper()
	return theEngine(t).clone(t, bare)
}

// clone copies a template. Its rights on the database itself do not come along and are given anew.
func (e *engine) clone(t testing.TB, template string) *DB {
	t.Helper()
	name := e.name(strconv.FormatInt(e.clones.Add(1), 10))
	database := pgx.Identifier{name}.Sanitize()
	for _, statement := range []string{
		"CREATE DATABASE " + database + " TEMPLATE " + pgx.Identifier{e.name(template)}.Sanitize() + " OWNER " + migrations.OwnerRole + " STRATEGY file_copy",
		"REVOKE ALL ON DATABASE " + database + " FROM PUBLIC",
		"GRANT CONNECT ON DATABASE " + database + " TO " + migrations.AppRole,
	} {
		_, err := e.admin.Exec(t.Context(), statement)
		require.NoError(t, err)
	}
	db := &DB{
		OwnerURL:     e.address(name, migrations.OwnerRole, e.access.OwnerPassword),
		AppURL:       e.address(name, migrations.AppRole, e.access.AppPassword),
		SuperuserURL: e.superuser(name),
	}
	db.Owner = openPool(t, db.OwnerURL, ownerConnections)
	db.App = openPool(t, db.AppURL, appConnections)
	t.Cleanup(func() {
		closePools(t, db.Owner, db.App)
		_, err := e.admin.Exec(context.WithoutCancel(t.Context()), "DROP DATABASE "+database+" WITH (FORCE)")
		require.NoError(t, err)
	})
	return db
}

func openPool(t testing.TB, address string, connections int32) *pgxpool.Pool {
	t.Helper()
	config, err := pgxpool.ParseConfig(address)
	require.NoError(t, err)
	config.MaxConns = connections
	pool, err := pgxpool.NewWithConfig(context.WithoutCancel(t.Context()), config) // checks at the end of the test use it too
	require.NoError(t, err)
	return pool
}

// closePools waits for connections that are still out, and fails the test for one that never comes back.
func closePools(t testing.TB, pools ...*pgxpool.Pool) {
	t.Helper()
	closed := make(chan struct{})
	go func() {
		defer close(closed)
		for _, pool := range pools {
			pool.Close()
		}
	}()
	select {
	case <-closed:
	case <-time.After(closeWait):
		t.Errorf("a connection was not given back to its pool within %v of the end of the test", closeWait)
	}
}
