package eventlog_test

import (
	"context"
	"errors"
	"fmt"
	"net"
	"testing"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"
	"github.com/stretchr/testify/require"

	"firstout/internal/events/eventlog"
	"firstout/internal/pgtest"
)

// TestADatabaseThatWentAwayIsNoFault gets every error from a server, or from the want of one.
func TestADatabaseThatWentAwayIsNoFault(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	connect := func() *pgx.Conn {
		conn, err := pgx.Connect(t.Context(), db.AppURL)
		require.NoError(t, err)
		t.Cleanup(func() { _ = conn.Close(context.WithoutCancel(t.Context())) })
		return conn
	}
	end := func(conn *pgx.Conn) {
		_, err := db.App.Exec(t.Context(), "SELECT pg_terminate_backend($1, 10000)", conn.PgConn().PID())
		require.NoError(t, err)
	}
	asked := func(conn *pgx.Conn, sql string) error {
		_, err := eventlog.ReadHead(t.Context(), conn)
		require.True(t, err == nil || sql == "", "%v", err)
		_, err = conn.Exec(t.Context(), sql)
		return err
	}

	for name, err := range map[string]func() error{
		"the session was ended": func() error {
			conn := connect()
			end(conn)
			return asked(conn, "")
		},
		"it was ended, and asked again": func() error {
			conn := connect()
			end(conn)
			_ = asked(conn, "")
			_, err := eventlog.ReadHead(t.Context(), conn)
			return err
		},
		"it was ended while it was asked": func() error {
			conn := connect()
			_, err := conn.Exec(t.Context(), "SELECT pg_terminate_backend(pg_backend_pid())")
			return err
		},
		"the connection broke under the answer": func() error {
			conn := connect()
			// The database hears nothing of it: the far end is closed by us, as a kernel does for a process that was killed.
			one, other := net.Pipe()
			config := conn.Config()
			config.DialFunc = func(context.Context, string, string) (net.Conn, error) { return one, nil }
			go func() {
				buffer := make([]byte, 1<<10)
				_, _ = other.Read(buffer)
				_, _ = other.Write([]byte{'R', 0, 0}) // the beginning of a message (PostgreSQL manual, 55.7)
				_ = other.Close()
			}()
			_, err := pgx.ConnectConfig(t.Context(), config)
			return err
		},
		"nobody listens": func() error {
			_, err := pgx.Connect(t.Context(), "postgres://nobody@/nothing?host="+t.TempDir())
			return err
		},
		"no such database": func() error {
			config := connect().Config()
			config.Database = "none"
			_, err := pgx.ConnectConfig(t.Context(), config)
			return err
		},
		"a statement took too long": func() error { return asked(connect(), "SET statement_timeout = 1; SELECT pg_sleep(60)") },
		"it is starting up":         func() error { return fmt.Errorf("find key: %w", &pgconn.PgError{Code: "57P03"}) },
		"it crashed":                func() error { return &pgconn.PgError{Code: "57P02"} },
	} {
		require.True(t, eventlog.Away(err()), "%s: %v", name, err())
	}
	for name, err := range map[string]error{
		"nothing":        nil,
		"a mistake":      asked(connect(), "SELECT no_such_column"),
		"a check":        &pgconn.PgError{Code: "23514"},
		"something else": errors.New("unexpected EOF"),
	} {
		require.False(t, eventlog.Away(err), "%s: %v", name, err)
	}
}
