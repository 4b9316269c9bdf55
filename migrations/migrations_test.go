package migrations_test

import (
	"context"
	"fmt"
	"io/fs"
	"os"
	"sync"
	"testing"
	"testing/fstest"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgxpool"
	"github.com/stretchr/testify/require"

	"firstout/internal/pgtest"
	"firstout/migrations"
)

func TestMain(m *testing.M) { os.Exit(pgtest.Main(m)) }

// steps are small ones; each notes that it ran, with the time it takes.
func steps(n int) fs.FS {
	files := fstest.MapFS{}
	for i := range n {
		text := "-- +goose Up\n"
		if i == 0 {
			text += "CREATE TABLE ran (step int);\n"
		}
		text += fmt.Sprintf("INSERT INTO ran VALUES (%d);\nSELECT pg_sleep(0.2);\n", i+1)
		files[fmt.Sprintf("%05d_step.sql", i+1)] = &fstest.MapFile{Data: []byte(text)}
	}
	return files
}

func ran(t *testing.T, db *pgtest.DB) []int32 {
	t.Helper()
	rows, err := db.Owner.Query(t.Context(), "SELECT step FROM ran")
	require.NoError(t, err)
	done, err := pgx.CollectRows(rows, pgx.RowTo[int32])
	require.NoError(t, err)
	return done
}

func TestTenProcessesAtOnce(t *testing.T) {
	t.Parallel()
	db := pgtest.Empty(t)
	var all sync.WaitGroup
	for range 10 {
		all.Go(func() {
			pool, err := pgxpool.New(t.Context(), db.OwnerURL) // as another process has
			if err != nil {
				t.Error(err)
				return
			}
			defer pool.Close()
			if err := migrations.UpWith(t.Context(), pool, steps(3)); err != nil {
				t.Error(err)
			}
		})
	}
	all.Wait()
	require.Equal(t, []int32{1, 2, 3}, ran(t, db), "each step once, in order")
	require.NoError(t, migrations.CheckWith(t.Context(), db.App, steps(3)), "the serving role may look")
}

func TestALaterProgramAddsItsSteps(t *testing.T) {
	t.Parallel()
	db := pgtest.Empty(t)
	require.NoError(t, migrations.UpWith(t.Context(), db.Owner, steps(1)))
	require.NoError(t, migrations.UpWith(t.Context(), db.Owner, steps(1)), "nothing to do")
	older := new(migrations.OlderError)
	require.ErrorAs(t, migrations.CheckWith(t.Context(), db.App, steps(2)), &older)
	require.Equal(t, migrations.OlderError{Found: 1, Known: 2}, *older)
	require.EqualError(t, older, "the book has schema 1 and this program needs 2: run firstout migrate first")
	require.NoError(t, migrations.UpWith(t.Context(), db.Owner, steps(2)))
	require.Equal(t, []int32{1, 2}, ran(t, db))
}

func TestANewerSchemaIsLeftAlone(t *testing.T) {
	t.Parallel()
	db := pgtest.Empty(t)
	require.NoError(t, migrations.UpWith(t.Context(), db.Owner, steps(3)))
	for name, err := range map[string]error{
		"migrate": migrations.UpWith(t.Context(), db.Owner, steps(2)),
		"check":   migrations.CheckWith(t.Context(), db.App, steps(2)),
	} {
		newer := new(migrations.NewerError)
		require.ErrorAs(t, err, &newer, name)
		require.EqualError(t, newer, "the book was written by a newer firstout: schema 3, this program knows 2; start that program or a newer one", name)
	}
	require.Equal(t, []int32{1, 2, 3}, ran(t, db))
}

// TestOvertakenInTheQueue: a newer program migrates while an older one waits for the lock.
func TestOvertakenInTheQueue(t *testing.T) {
	t.Parallel()
	db := pgtest.Empty(t)
	slow := fstest.MapFS{"00001_step.sql": &fstest.MapFile{Data: []byte("-- +goose Up\nCREATE TABLE begun ();\nSELECT pg_sleep(1);\n")}}
	slow["00002_step.sql"] = &fstest.MapFile{Data: []byte("-- +goose Up\nSELECT 1;\n")}
	newer := make(chan error, 1)
	go func() { newer <- migrations.UpWith(t.Context(), db.Owner, slow) }()
	require.Eventually(t, func() bool { // the newer one holds the lock
		var held bool
		err := db.Owner.QueryRow(t.Context(), "SELECT EXISTS (SELECT FROM pg_locks l JOIN pg_database d ON d.oid = l.database "+
			"WHERE l.locktype = 'advisory' AND d.datname = current_database())").Scan(&held)
		return err == nil && held
	}, patience, lookAgainIn)
	found := new(migrations.NewerError)
	require.ErrorAs(t, migrations.UpWith(t.Context(), db.Owner, steps(1)), &found)
	require.NoError(t, <-newer)
}

func TestAStepThatFailsIsNotHalfDone(t *testing.T) {
	t.Parallel()
	db := pgtest.Empty(t)
	broken := fstest.MapFS{"00001_step.sql": &fstest.MapFile{Data: []byte("-- +goose Up\nCREATE TABLE ran (step int);\nSELECT 1/0;\n")}}
	require.ErrorContains(t, migrations.UpWith(t.Context(), db.Owner, broken), "division by zero")
	require.NoError(t, migrations.UpWith(t.Context(), db.Owner, steps(1)), "the lock was given back and nothing stands in the way")
	require.Equal(t, []int32{1}, ran(t, db))
}

func TestARoleThatMayNotLook(t *testing.T) {
	t.Parallel()
	db := pgtest.Empty(t)
	require.NoError(t, migrations.UpWith(t.Context(), db.Owner, steps(1)))
	_, err := db.Owner.Exec(t.Context(), "REVOKE SELECT ON goose_db_version FROM "+migrations.AppRole)
	require.NoError(t, err)
	require.ErrorContains(t, migrations.CheckWith(t.Context(), db.App, steps(1)), "GRANT SELECT ON goose_db_version TO firstout_app")
}

func TestStepsWithABadName(t *testing.T) {
	t.Parallel()
	db := pgtest.Empty(t)
	require.ErrorContains(t, migrations.UpWith(t.Context(), db.Owner, fstest.MapFS{"first.sql": &fstest.MapFile{}}), "first.sql")
}

func TestTheSchemaAsItIs(t *testing.T) {
	t.Parallel()
	db := pgtest.Empty(t)
	older := new(migrations.OlderError)
	require.ErrorAs(t, migrations.Check(t.Context(), db.App), &older)
	require.Zero(t, older.Found, "an empty database")
	require.NoError(t, migrations.Up(t.Context(), db.Owner))
	require.NoError(t, migrations.Check(t.Context(), db.App))
}

func TestAStopWhileWaiting(t *testing.T) {
	t.Parallel()
	db := pgtest.Empty(t)
	holder, err := db.Owner.Acquire(t.Context())
	require.NoError(t, err)
	defer holder.Release()
	_, err = holder.Exec(t.Context(), "SELECT pg_advisory_lock($1)", migrations.LockID)
	require.NoError(t, err)
	ctx, cancel := context.WithTimeout(t.Context(), 10*lookAgainIn)
	defer cancel()
	require.ErrorIs(t, migrations.UpWith(ctx, db.Owner, steps(1)), context.DeadlineExceeded)
	_, err = holder.Exec(t.Context(), "SELECT pg_advisory_unlock_all()")
	require.NoError(t, err)
}
