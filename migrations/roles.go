package migrations

import (
	"context"
	"errors"
	"fmt"
	"strings"

	"github.com/jackc/pgx/v5"
)

// Two roles, so that the database itself keeps the log append-only: who may alter a table owns it, and who serves owns nothing.
const (
	// OwnerRole owns the database and the tables; it migrates and rebuilds.
	OwnerRole = "firstout_owner"
	// AppRole is what serves: it has what the migrations grant it, and can become no other role.
	AppRole = "firstout_app"
)

// rolesLock makes the processes of one cluster take turns; two that alter one role at once would fail.
const rolesLock = 0x6669727374 // "first"

// Access says which database the roles are for, and their passwords.
type Access struct {
	Database      string
	OwnerPassword string
	AppPassword   string
}

// EnsureRoles makes the two roles and the database where they are missing, and sets rights and passwords as they should be. Roles
// belong to a whole cluster, so no migration can do it. It needs a superuser's address of any database of the cluster, the same one
// in all processes, and can be run again, by many at once.
func EnsureRoles(ctx context.Context, superuserURL string, a Access) error {
	return roles{owner: OwnerRole, app: AppRole}.ensure(ctx, superuserURL, a)
}

// roles are the two names; tests have their own, as a role is seen by every database of a cluster.
type roles struct{ owner, app string }

func (r roles) ensure(ctx context.Context, superuserURL string, a Access) error {
	config, err := pgx.ParseConfig(superuserURL)
	if err != nil {
		return fmt.Errorf("roles: %w", err)
	}
	cluster, err := pgx.ConnectConfig(ctx, config)
	if err != nil {
		return fmt.Errorf("roles: %w", err)
	}
	defer cluster.Close(context.WithoutCancel(ctx)) // and with it the lock is given back
	if err := mayDoAll(ctx, cluster); err != nil {
		return err
	}
	if err := execAll(ctx, cluster,
		fmt.Sprintf("SELECT pg_advisory_lock(%d)", rolesLock),
		"SET log_statement = 'none'", // the next statements hold passwords
		"SET log_min_error_statement = 'panic'",
	); err != nil {
		return err
	}
	err = errors.Join(
		ensureRole(ctx, cluster, r.owner, a.OwnerPassword),
		ensureRole(ctx, cluster, r.app, a.AppPassword))
	if err != nil {
		return err
	}
	if err := r.ensureDatabase(ctx, cluster, a.Database); err != nil {
		return err
	}
	config.Database = a.Database
	return r.ensureSchema(ctx, config)
}

func mayDoAll(ctx context.Context, cluster *pgx.Conn) error {
	var super bool
	if err := cluster.QueryRow(ctx, "SELECT rolsuper FROM pg_roles WHERE rolname = current_user").Scan(&super); err != nil {
		return fmt.Errorf("roles: %w", err)
	}
	if !super {
		return fmt.Errorf("roles: %s is not a superuser, and only one can make the roles", cluster.Config().User)
	}
	return nil
}

func ensureRole(ctx context.Context, cluster *pgx.Conn, role, password string) error {
	var exists bool
	var above []string
	err := cluster.QueryRow(ctx, `
		SELECT EXISTS (SELECT FROM pg_roles WHERE rolname = $1),
		       ARRAY (SELECT roleid::regrole::text FROM pg_auth_members WHERE member = to_regrole($1) ORDER BY 1)`,
		role).Scan(&exists, &above)
	if err != nil {
		return fmt.Errorf("roles: look at %s: %w", role, err)
	}
	if len(above) > 0 {
		return fmt.Errorf("roles: %s could become %s; as a superuser run REVOKE %[2]s FROM %[1]s", role, strings.Join(above, ", "))
	}
	verb := "CREATE"
	if exists {
		verb = "ALTER"
	}
	return execAll(ctx, cluster, fmt.Sprintf("%s ROLE %s LOGIN NOSUPERUSER NOINHERIT NOCREATEDB NOCREATEROLE NOREPLICATION NOBYPASSRLS PASSWORD %s",
		verb, role, quote(password)))
}

// ensureDatabase makes an empty one that sorts text by its bytes, whatever the cluster was made with.
func (r roles) ensureDatabase(ctx context.Context, cluster *pgx.Conn, database string) error {
	var exists bool
	if err := cluster.QueryRow(ctx, "SELECT EXISTS (SELECT FROM pg_database WHERE datname = $1)", database).Scan(&exists); err != nil {
		return fmt.Errorf("roles: look at database %s: %w", database, err)
	}
	name := pgx.Identifier{database}.Sanitize()
	if !exists {
		create := "CREATE DATABASE " + name + " TEMPLATE template0 ENCODING 'UTF8' LOCALE_PROVIDER libc LC_COLLATE 'C' LC_CTYPE 'C'"
		if err := execAll(ctx, cluster, create); err != nil {
			return err
		}
	}
	return execAll(ctx, cluster,
		"ALTER DATABASE "+name+" OWNER TO "+r.owner,
		"REVOKE ALL ON DATABASE "+name+" FROM PUBLIC",
		"GRANT CONNECT ON DATABASE "+name+" TO "+r.app)
}

func (r roles) ensureSchema(ctx context.Context, config *pgx.ConnConfig) error {
	conn, err := pgx.ConnectConfig(ctx, config)
	if err != nil {
		return fmt.Errorf("roles: %w", err)
	}
	defer conn.Close(context.WithoutCancel(ctx))
	return execAll(ctx, conn,
		"ALTER SCHEMA public OWNER TO "+r.owner,
		"REVOKE ALL ON SCHEMA public FROM PUBLIC",
		"GRANT USAGE ON SCHEMA public TO "+r.app)
}

func execAll(ctx context.Context, conn *pgx.Conn, statements ...string) error {
	for _, statement := range statements {
		if _, err := conn.Exec(ctx, statement); err != nil {
			return fmt.Errorf("roles: %s: %w", firstWords(statement), err)
		}
	}
	return nil
}

// firstWords leaves out what a statement says of passwords.
func firstWords(statement string) string {
	before, _, _ := strings.Cut(statement, " PASSWORD ")
	return before
}

func quote(s string) string { return "'" + strings.ReplaceAll(s, "'", "''") + "'" }
