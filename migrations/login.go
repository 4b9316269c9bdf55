package migrations

import (
	"context"
	"errors"
	"fmt"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgxpool"
)

// EnsureLogin makes the role of the serving address a login that has AppRole's rights and no others, where it is
// missing and the owner may make roles. Where it is there already nothing is changed: its password is somebody's own.
func EnsureLogin(ctx context.Context, owner *pgxpool.Pool, appURL string) error {
	config, err := pgx.ParseConfig(appURL)
	if err != nil {
		return fmt.Errorf("the serving database address: %w", err)
	}
	var there, mayMake bool
	err = owner.QueryRow(ctx, `
		SELECT coalesce((SELECT rolcanlogin FROM pg_roles WHERE rolname = $1), false), rolsuper OR rolcreaterole
		FROM pg_roles WHERE rolname = current_user`, config.User).Scan(&there, &mayMake)
	if err != nil {
		return fmt.Errorf("look at role %s: %w", config.User, err)
	}
	if there || !mayMake {
		return nil
	}
	role := pgx.Identifier{config.User}.Sanitize()
	statements := []string{
		fmt.Sprintf("CREATE ROLE %s LOGIN NOSUPERUSER NOCREATEDB NOCREATEROLE PASSWORD %s", role, quote(config.Password)),
		fmt.Sprintf("GRANT %s TO %s", AppRole, role),
	}
	if config.User == AppRole {
		statements = []string{fmt.Sprintf("ALTER ROLE %s LOGIN NOINHERIT PASSWORD %s", role, quote(config.Password))}
	}
	var failed error
	for _, statement := range statements {
		if _, err := owner.Exec(ctx, statement); err != nil {
			failed = errors.Join(failed, fmt.Errorf("make role %s: %w", config.User, err))
		}
	}
	return failed
}
