package migrations_test

import (
	"context"
	"crypto/rand"
	"fmt"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"

	"firstout/internal/pgtest"
	"firstout/migrations"
)

const (
	patience    = 20 * time.Second
	lookAgainIn = 10 * time.Millisecond
)

// names are roles and a database that no other test has; they go when the test ends.
func names(t *testing.T) (superuserURL, owner, app, database string) {
	t.Helper()
	word := strings.ToLower(rand.Text()[:8])
	superuserURL, owner, app, database = pgtest.Empty(t).SuperuserURL, "owner_"+word, "app_"+word, "the "+word+"'s book"
	t.Cleanup(func() {
		ctx := context.WithoutCancel(t.Context())
		conn, err := pgx.Connect(ctx, superuserURL)
		require.NoError(t, err)
		for _, statement := range []string{
			"DROP DATABASE IF EXISTS " + pgx.Identifier{database}.Sanitize() + " WITH (FORCE)",
			"DROP ROLE IF EXISTS " + owner, "DROP ROLE IF EXISTS " + app,
		} {
			_, err := conn.Exec(ctx, statement)
			require.NoError(t, err)
		}
		require.NoError(t, conn.Close(ctx))
	})
	return superuserURL, owner, app, database
}

func TestRolesAndDatabase(t *testing.T) {
	t.Parallel()
	admin, ownerRole, appRole, database := names(t)
	access := migrations.Access{Database: database, OwnerPassword: "owner's", AppPassword: `it's "quoted" \`}
	ensure := func() error { return migrations.EnsureRolesNamed(t.Context(), admin, ownerRole, appRole, access) }
	var all sync.WaitGroup
	for range 8 { // many processes start at once
		all.Go(func() {
			if err := ensure(); err != nil {
				t.Error(err)
			}
		})
	}
	all.Wait()

	owner := connect(t, admin, database, ownerRole, access.OwnerPassword)
	app := connect(t, admin, database, appRole, access.AppPassword)
	_, err := owner.Exec(t.Context(), "CREATE TABLE t (name text)")
	require.NoError(t, err)
	_, err = app.Exec(t.Context(), "SELECT FROM t")
	require.ErrorContains(t, err, "42501")

	var sorted string
	require.NoError(t, owner.QueryRow(t.Context(), "SELECT string_agg(c, '' ORDER BY c) FROM unnest(ARRAY['a','B','é','Z']) c").Scan(&sorted))
	require.Equal(t, "BZaé", sorted, "by bytes")
	var plain bool
	require.NoError(t, owner.QueryRow(t.Context(), `
		SELECT bool_and(rolcanlogin AND NOT (rolsuper OR rolinherit OR rolcreatedb OR rolcreaterole OR rolreplication OR rolbypassrls))
		FROM pg_roles WHERE rolname IN ($1, $2)`, ownerRole, appRole).Scan(&plain))
	require.True(t, plain)

	access.AppPassword = "another"
	require.NoError(t, ensure())
	connect(t, admin, database, appRole, "another")
}

// TestRolesThatWereGivenMore: what someone added by hand is taken back, or said.
func TestRolesThatWereGivenMore(t *testing.T) {
	t.Parallel()
	admin, owner, app, database := names(t)
	access := migrations.Access{Database: database, OwnerPassword: "o", AppPassword: "a"}
	ensure := func() error { return migrations.EnsureRolesNamed(t.Context(), admin, owner, app, access) }
	require.NoError(t, ensure())
	superuser, err := pgx.Connect(t.Context(), admin)
	require.NoError(t, err)
	defer superuser.Close(t.Context())
	_, err = superuser.Exec(t.Context(), "ALTER ROLE "+app+" SUPERUSER")
	require.NoError(t, err)
	_, err = superuser.Exec(t.Context(), "GRANT "+owner+" TO "+app)
	require.NoError(t, err)
	require.EqualError(t, ensure(), fmt.Sprintf("roles: %s could become %s; as a superuser run REVOKE %[2]s FROM %[1]s", app, owner))
	_, err = superuser.Exec(t.Context(), "REVOKE "+owner+" FROM "+app)
	require.NoError(t, err)
	require.NoError(t, ensure())

	_, err = connect(t, admin, database, app, "a").Exec(t.Context(), "SET ROLE "+owner)
	require.ErrorContains(t, err, "42501")
}

// connect logs in with a password. A socket is no different: nothing is trusted.
func connect(t *testing.T, server, database, role, password string) *pgx.Conn {
	t.Helper()
	config, err := pgx.ParseConfig(server)
	require.NoError(t, err)
	config.Database, config.User, config.Password = database, role, password
	conn, err := pgx.ConnectConfig(t.Context(), config)
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, conn.Close(context.WithoutCancel(t.Context()))) })
	return conn
}

func TestOnlyASuperuserMakesRoles(t *testing.T) {
	t.Parallel()
	db := pgtest.Empty(t)
	err := migrations.EnsureRoles(t.Context(), db.OwnerURL, migrations.Access{Database: "d"})
	require.EqualError(t, err, "roles: firstout_owner is not a superuser, and only one can make the roles")
}

func TestPasswordsStayOutOfErrors(t *testing.T) {
	t.Parallel()
	admin, owner, app, database := names(t)
	err := migrations.EnsureRolesNamed(t.Context(), admin, owner, app, migrations.Access{Database: database, OwnerPassword: "sec\x00ret"})
	require.ErrorContains(t, err, "CREATE ROLE "+owner)
	require.NotContains(t, err.Error(), "sec")
}
