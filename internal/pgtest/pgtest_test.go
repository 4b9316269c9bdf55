package pgtest_test

import (
	"context"
	"errors"
	"os"
	"testing"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"
	"github.com/stretchr/testify/require"

	"firstout/internal/pgtest"
	"firstout/migrations"
)

func TestMain(m *testing.M) { os.Exit(pgtest.Main(m)) }

func TestEachTestHasADatabaseOfItsOwn(t *testing.T) {
	t.Parallel()
	for _, name := range []string{"one", "another", "a third"} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			db := pgtest.New(t)
			require.NoError(t, migrations.Check(t.Context(), db.App), "the newest schema")
			_, err := db.Owner.Exec(t.Context(), "CREATE TABLE mine (name text)")
			require.NoError(t, err, "no other test's table is in the way")
		})
	}
}

// TestTheOrderAtTheEnd: what a test registers once it has a database runs while the database is still there.
func TestTheOrderAtTheEnd(t *testing.T) {
	t.Parallel()
	var checked bool
	var name string
	t.Run("a test", func(t *testing.T) {
		db := pgtest.New(t)
		t.Cleanup(func() {
			checked = db.App.QueryRow(context.WithoutCancel(t.Context()), "SELECT current_database()").Scan(&name) == nil
		})
	})
	require.True(t, checked)
	var there bool
	other := pgtest.New(t)
	require.NoError(t, other.App.QueryRow(t.Context(), "SELECT EXISTS (SELECT FROM pg_database WHERE datname = $1)", name).Scan(&there))
	require.False(t, there, "dropped")
}

func TestTheTwoRoles(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	var user string
	require.NoError(t, db.App.QueryRow(t.Context(), "SELECT usename FROM pg_stat_activity WHERE pid = pg_backend_pid()").Scan(&user))
	require.Equal(t, migrations.AppRole, user)
	require.NoError(t, db.Owner.QueryRow(t.Context(), "SELECT session_user").Scan(&user))
	require.Equal(t, migrations.OwnerRole, user)

	var owned int
	require.NoError(t, db.App.QueryRow(t.Context(), "SELECT count(*) FROM pg_class WHERE relowner = 'firstout_app'::regrole").Scan(&owned))
	require.Zero(t, owned)
	for name, statement := range map[string]string{
		"become the owner":         "SET ROLE " + migrations.OwnerRole,
		"read everything":          "SET ROLE pg_read_all_data",
		"make a table":             "CREATE TABLE t ()",
		"make a temporary one":     "CREATE TEMPORARY TABLE t ()",
		"make a schema":            "CREATE SCHEMA s",
		"make a role":              "CREATE ROLE r",
		"make a database":          "CREATE DATABASE d",
		"change a line of the log": "UPDATE log SET actor = ''",
		"delete from the log":      "DELETE FROM log",
		"empty the log":            "TRUNCATE log",
		"alter the log":            "ALTER TABLE log DISABLE TRIGGER ALL",
		"pretend another schema":   "UPDATE goose_db_version SET version_id = 9",
	} {
		_, err := db.App.Exec(t.Context(), statement)
		refused := new(pgconn.PgError)
		require.ErrorAs(t, err, &refused, name)
		require.Equal(t, "42501", refused.Code, name)
	}
	for _, statement := range []string{"SET ROLE postgres", "CREATE ROLE r", "CREATE DATABASE d"} {
		_, err := db.Owner.Exec(t.Context(), statement)
		require.Error(t, err, "the owner is no superuser: %s", statement)
	}
}

func TestAnEmptyDatabase(t *testing.T) {
	t.Parallel()
	db := pgtest.Empty(t)
	var tables int
	require.NoError(t, db.Owner.QueryRow(t.Context(), "SELECT count(*) FROM pg_tables WHERE schemaname = 'public'").Scan(&tables))
	require.Zero(t, tables)
	require.NoError(t, migrations.Up(t.Context(), db.Owner))
	require.NoError(t, migrations.Check(t.Context(), db.App))
}

func TestTheAddressesWorkToo(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	for _, address := range []string{db.OwnerURL, db.AppURL} {
		conn, err := pgx.Connect(t.Context(), address)
		require.NoError(t, err)
		require.NoError(t, errors.Join(conn.Ping(t.Context()), conn.Close(t.Context())))
	}
}

func BenchmarkNew(b *testing.B) {
	for b.Loop() {
		pgtest.New(b)
	}
}
