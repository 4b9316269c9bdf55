// Package migrations holds the schema, step by step, and brings a database to it. Up only: the book does not go backwards; the next
// step puts it right. It also makes the two roles that the schema is written for.
package migrations

import (
	"context"
	"database/sql"
	"embed"
	"errors"
	"fmt"
	"io/fs"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"
	"github.com/jackc/pgx/v5/pgxpool"
	"github.com/jackc/pgx/v5/stdlib"
	"github.com/pressly/goose/v3"
	"github.com/pressly/goose/v3/lock"
)

//go:embed *.sql
var files embed.FS

const (
	// lockEvery and lockTries bound the wait for another process that migrates: an hour, as a step over a long log may take its time.
	lockEvery = 1 // seconds
	lockTries = 3600
)

// Querier is a pool, a connection or a transaction.
type Querier interface {
	QueryRow(ctx context.Context, sql string, args ...any) pgx.Row
}

// Up brings the database to the newest schema that this program knows. The pool's role has to own the tables. Any number of processes
// may call it at once: one migrates, the others wait for it. A database of a newer schema is left alone, with a [*NewerError].
func Up(ctx context.Context, pool *pgxpool.Pool) error { return up(ctx, pool, files) }

// Check compares the schema in the database with the one that this program was built for, and changes nothing: for a role that may
// not migrate. It gives a [*NewerError] or an [*OlderError] where they differ.
func Check(ctx context.Context, q Querier) error { return check(ctx, q, files) }

// NewerError says that a newer program has migrated the database.
type NewerError struct{ Found, Known int64 }

func (e *NewerError) Error() string {
	return fmt.Sprintf("the book was written by a newer firstout: schema %d, this program knows %d; start that program or a newer one", e.Found, e.Known)
}

// OlderError says that the database has not been migrated yet; schema 0 is an empty one.
type OlderError struct{ Found, Known int64 }

func (e *OlderError) Error() string {
	return fmt.Sprintf("the book has schema %d and this program needs %d: run firstout migrate first", e.Found, e.Known)
}

func up(ctx context.Context, pool *pgxpool.Pool, steps fs.FS) error {
	older := new(OlderError)
	if err := check(ctx, pool, steps); !errors.As(err, &older) {
		return err // nothing to do, or nothing that can be done: without waiting for a lock
	}
	locker, err := lock.NewPostgresSessionLocker(lock.WithLockTimeout(lockEvery, lockTries))
	if err != nil {
		return fmt.Errorf("migrate: %w", err)
	}
	db := stdlib.OpenDBFromPool(pool)
	defer db.Close()
	provider, err := goose.NewProvider(goose.DialectPostgres, db, steps,
		goose.WithSessionLocker(grantingLocker{locker}), goose.WithDisableGlobalRegistry(true))
	if err != nil {
		return fmt.Errorf("migrate: %w", err)
	}
	if _, err := provider.GetDBVersion(ctx); err != nil { // its table is there, and granted, before the first step is
		return fmt.Errorf("migrate: %w", err)
	}
	if _, err := provider.Up(ctx); err != nil {
		return fmt.Errorf("migrate: %w", err)
	}
	return check(ctx, pool, steps) // a newer program may have been before us in the queue
}

func check(ctx context.Context, q Querier, steps fs.FS) error {
	known, err := newest(steps)
	if err != nil {
		return err
	}
	found, err := version(ctx, q)
	switch {
	case err != nil:
		return err
	case found > known:
		return &NewerError{Found: found, Known: known}
	case found < known:
		return &OlderError{Found: found, Known: known}
	}
	return nil
}

// grantingLocker lets the serving role read the library's own table, for [Check], before it gives the lock back: two processes that
// grant at once would stand in each other's way. Where there is no such role, the owner serves.
type grantingLocker struct{ lock.SessionLocker }

func (l grantingLocker) SessionUnlock(ctx context.Context, conn *sql.Conn) error {
	_, err := conn.ExecContext(ctx, `DO $$ BEGIN
		IF to_regclass('goose_db_version') IS NOT NULL AND to_regrole('`+AppRole+`') IS NOT NULL THEN
			GRANT SELECT ON goose_db_version TO `+AppRole+`;
		END IF;
	END $$`)
	return errors.Join(err, l.SessionLocker.SessionUnlock(ctx, conn))
}

// version is the database's schema, 0 where it has none.
func version(ctx context.Context, q Querier) (int64, error) {
	var found int64
	err := q.QueryRow(ctx, "SELECT coalesce(max(version_id), 0) FROM goose_db_version WHERE is_applied").Scan(&found)
	refused := new(pgconn.PgError)
	switch {
	case err == nil:
		return found, nil
	case errors.As(err, &refused) && refused.Code == undefinedTable:
		return 0, nil
	case errors.As(err, &refused) && refused.Code == insufficientPrivilege:
		return 0, fmt.Errorf("which schema the book has: this role may not read it; as the owner run GRANT SELECT ON goose_db_version TO %s: %w", AppRole, err)
	}
	return 0, fmt.Errorf("which schema the book has: %w", err)
}

const ( // SQLSTATE
	undefinedTable        = "42P01"
	insufficientPrivilege = "42501"
)

// newest is the number of the last step.
func newest(steps fs.FS) (int64, error) {
	names, err := fs.Glob(steps, "*.sql")
	if err != nil {
		return 0, fmt.Errorf("the schema's steps: %w", err)
	}
	var last int64
	for _, name := range names {
		number, err := goose.NumericComponent(name)
		if err != nil {
			return 0, fmt.Errorf("the schema's steps: %s: %w", name, err)
		}
		last = max(last, number)
	}
	return last, nil
}
