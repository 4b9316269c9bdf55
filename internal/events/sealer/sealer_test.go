package sealer_test

import (
	"context"
	"errors"
	"sync"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"
	"github.com/stretchr/testify/require"

	"firstout/internal/events/eventlog"
	"firstout/internal/events/seal"
	"firstout/internal/events/sealer"
	"firstout/internal/pgtest"
)

func TestSealing(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	key, verifier := newKey(t, origin)
	var told []string
	s := sealer.New(db.App, sealer.Options{Key: key, Batch: 3, Signed: func(note []byte) { told = append(told, string(note)) }})
	require.NoError(t, s.SealAll(t.Context()), "an empty book")
	_, found, err := sealer.Newest(t.Context(), db.App)
	require.NoError(t, err)
	require.False(t, found)

	write(t, db, 8)
	lag, err := sealer.ReadLag(t.Context(), db.App)
	require.NoError(t, err)
	since := noon.Truncate(time.Microsecond)
	require.Equal(t, sealer.Lag{Head: 8, Since: &since}, lag)
	require.EqualValues(t, 8, lag.Events())

	require.NoError(t, s.SealAll(t.Context()))
	requireSealed(t, db, 8, verifier)
	for _, size := range []int64{3, 6, 8} {
		of, found, err := sealer.OfSize(t.Context(), db.App, size)
		require.NoError(t, err)
		require.True(t, found, "a checkpoint a batch")
		c, err := seal.Open(of.Note, verifier)
		require.NoError(t, err)
		require.Equal(t, size, c.Size)
		require.Equal(t, origin, c.Origin)
	}
	newest, _, err := sealer.Newest(t.Context(), db.App)
	require.NoError(t, err)
	require.Equal(t, []string{string(newest.Note)}, told, "the newest is told, once")

	require.NoError(t, s.SealAll(t.Context()), "nothing is new")
	require.Len(t, told, 1)
	lag, err = sealer.ReadLag(t.Context(), db.App)
	require.NoError(t, err)
	require.Nil(t, lag.Since)
	require.Zero(t, lag.Events())
	require.NotNil(t, lag.SignedAt)
}

func TestProofsFromTheDatabase(t *testing.T) {
	t.Parallel()
	db, _, verifier := sealed(t, 11)
	stored := sealer.StoredHashes(t.Context(), db.App)
	newest, _, err := sealer.Newest(t.Context(), db.App)
	require.NoError(t, err)
	c, err := seal.Open(newest.Note, verifier)
	require.NoError(t, err)
	events, err := eventlog.Read(t.Context(), db.App, eventlog.Filter{})
	require.NoError(t, err)
	for _, e := range events {
		p, err := seal.ProveInclusion(e.Position, c.Size, stored)
		require.NoError(t, err)
		_, _, err = seal.CheckText(p.Text(newest.Note), []byte(e.Canonical), verifier)
		require.NoError(t, err)
	}
	for _, size := range []int64{3, 6, 9, 11} {
		of, _, err := sealer.OfSize(t.Context(), db.App, size)
		require.NoError(t, err)
		old, err := seal.Open(of.Note, verifier)
		require.NoError(t, err)
		p, err := seal.ProveConsistency(size, c.Size, stored)
		require.NoError(t, err)
		require.NoError(t, p.Check(old.Root, c.Root))
	}
	_, err = stored.ReadHashes([]int64{0, 1000})
	require.ErrorContains(t, err, "index 1000 is missing")
}

// TestSeveralProcesses: sealers of one book, each with a pool of its own, while events are being written; what comes of
// it is one chain of checkpoints.
func TestSeveralProcesses(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	key, verifier := newKey(t, origin)
	writing, stop := context.WithCancel(t.Context())
	var all sync.WaitGroup
	for _, pool := range []sealer.DB{db.App, db.Owner, db.App} {
		s := sealer.New(pool, sealer.Options{Key: key, Batch: 4})
		all.Go(func() {
			for writing.Err() == nil {
				if err := s.SealAll(t.Context()); err != nil {
					t.Error(err)
				}
			}
		})
	}
	for i := range 40 {
		write(t, db, 1+i%5)
	}
	stop()
	all.Wait()
	require.NoError(t, sealer.New(db.App, sealer.Options{Key: key}).SealAll(t.Context()))
	requireSealed(t, db, 120, verifier)
}

// TestACrashBetween leaves nothing behind, whether the work was given up or the connection was lost.
func TestACrashBetween(t *testing.T) {
	t.Parallel()
	db, s, verifier := sealed(t, 4)
	write(t, db, 4)
	crash := errors.New("the power is gone")
	for name, end := range map[string]func(context.Context, pgx.Tx) error{
		"given up": func(context.Context, pgx.Tx) error { return crash },
		"connection lost": func(ctx context.Context, tx pgx.Tx) error {
			_, err := tx.Exec(ctx, "SELECT pg_terminate_backend(pg_backend_pid())")
			return errors.Join(crash, err)
		},
	} {
		s.BeforeSigning(end)
		require.ErrorIs(t, s.SealAll(t.Context()), crash, name)
		requireSealed(t, db, 4, verifier)
		requireNoLock(t, db)
	}
	s.BeforeSigning(func(context.Context, pgx.Tx) error { return nil })
	require.NoError(t, s.SealAll(t.Context()))
	requireSealed(t, db, 8, verifier)
}

// requireNoLock waits until nobody seals: a server process says that it ends before it gives back what it holds.
func requireNoLock(t *testing.T, db *pgtest.DB) {
	t.Helper()
	require.Eventually(t, func() bool {
		held := true
		err := db.App.QueryRow(t.Context(), `SELECT EXISTS (
			SELECT FROM pg_locks WHERE locktype = 'advisory' AND database = (SELECT oid FROM pg_database WHERE datname = current_database())
		)`).Scan(&held)
		return err == nil && !held
	}, time.Minute, time.Millisecond)
}

// TestOnlyOneAtATime: while one process seals, another leaves it to that one and does not wait.
func TestOnlyOneAtATime(t *testing.T) {
	t.Parallel()
	db, s, verifier := sealed(t, 1)
	key, _ := newKey(t, origin)
	write(t, db, 2)
	s.BeforeSigning(func(ctx context.Context, _ pgx.Tx) error {
		return sealer.New(db.App, sealer.Options{Key: key}).SealAll(ctx)
	})
	require.NoError(t, s.SealAll(t.Context()))
	requireSealed(t, db, 3, verifier)
}

// TestAHoleIsNotSealed, nor anything after it.
func TestAHoleIsNotSealed(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		sql  string
		hole sealer.HoleError
	}{
		"in between":  {"DELETE FROM log WHERE position = 5", sealer.HoleError{Position: 5, Next: 6, Head: 7}},
		"at the end":  {"DELETE FROM log WHERE position = 7", sealer.HoleError{Position: 7, Head: 7}},
		"all of them": {"DELETE FROM log WHERE position > 4", sealer.HoleError{Position: 5, Head: 7}},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			db, _, _ := sealed(t, 4)
			key, _ := newKey(t, origin)
			write(t, db, 3)
			tamper(t, db, c.sql)
			err := sealer.New(db.App, sealer.Options{Key: key}).SealAll(t.Context())
			hole := new(sealer.HoleError)
			require.ErrorAs(t, err, &hole)
			require.Equal(t, c.hole, *hole)
			lag, err := sealer.ReadLag(t.Context(), db.App)
			require.NoError(t, err)
			require.EqualValues(t, 4, lag.Sealed)
			require.EqualValues(t, 3, lag.Events(), "seen as a lag")
		})
	}
}

// TestNothingIsSignedThatDoesNotGoOn from what was signed last.
func TestNothingIsSignedThatDoesNotGoOn(t *testing.T) {
	t.Parallel()
	other, _ := newKey(t, origin)
	forged, err := seal.Checkpoint{Origin: origin, Size: 4}.Sign(other)
	require.NoError(t, err)
	for name, c := range map[string]struct {
		sql  string
		args []any
		says string
	}{
		"a changed hash":        {"UPDATE seal_hashes SET hash = sha256(hash) WHERE idx = 6", nil, "do not go on from the last checkpoint, of size 4"},
		"a missing hash":        {"DELETE FROM seal_hashes WHERE idx = 6", nil, "index 6 is missing"},
		"a changed note":        {"UPDATE checkpoints SET note = replace(note, E'\n4\n', E'\n5\n')", nil, "not as it was signed"},
		"no note":               {"UPDATE checkpoints SET note = ''", nil, "not as it was signed"},
		"the newest taken away": {"DELETE FROM checkpoints WHERE size = 4", nil, "duplicate key"},
		"another size":          {"UPDATE checkpoints SET size = 5 WHERE size = 4", nil, "is kept as one of size 5"},
		"another's checkpoint":  {"UPDATE checkpoints SET note = $1 WHERE size = 4", []any{string(forged)}, "do not go on"},
		"an earlier head":       {"UPDATE head SET position = 2, definitions_at = 2", nil, "put back to an earlier state"},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			db, s, _ := sealed(t, 4)
			write(t, db, 2)
			tamper(t, db, c.sql, c.args...)
			require.ErrorContains(t, s.SealAll(t.Context()), c.says)
			newest, _, err := sealer.Newest(t.Context(), db.App)
			require.NoError(t, err)
			require.LessOrEqual(t, newest.Size, int64(5))
		})
	}
}

// TestAnotherKey of the same name goes on; one of another name does not.
func TestAnotherKey(t *testing.T) {
	t.Parallel()
	db, _, old := sealed(t, 4)
	write(t, db, 1)
	stranger, _ := newKey(t, "other.example/book")
	err := sealer.New(db.App, sealer.Options{Key: stranger}).SealAll(t.Context())
	named := new(sealer.OtherOriginError)
	require.ErrorAs(t, err, &named)
	require.Equal(t, sealer.OtherOriginError{Sealed: origin, Key: "other.example/book"}, *named)

	key, verifier := newKey(t, origin)
	require.NoError(t, sealer.New(db.App, sealer.Options{Key: key}).SealAll(t.Context()))
	requireSealed(t, db, 5, old, verifier)
	_, err = sealer.Verify(t.Context(), db.App, nil, verifier)
	require.ErrorContains(t, err, "the checkpoint kept of size 3", "the new key did not sign the old ones")
}

// TestSealsAreAppendOnly by right, and by trigger for their owner.
func TestSealsAreAppendOnly(t *testing.T) {
	t.Parallel()
	db, _, _ := sealed(t, 4)
	for _, table := range []string{"seal_hashes", "checkpoints"} {
		for _, sql := range []string{
			"DELETE FROM " + table, "DELETE FROM " + table + " WHERE false", "TRUNCATE " + table,
			"UPDATE seal_hashes SET hash = hash", "UPDATE checkpoints SET note = ''", "UPDATE checkpoints SET size = 9 WHERE false",
		} {
			for says, pool := range map[string]sealer.DB{"permission denied": db.App, "refuses this": db.Owner} {
				err := pgx.BeginTxFunc(t.Context(), pool, pgx.TxOptions{}, func(tx pgx.Tx) error {
					_, err := tx.Exec(t.Context(), sql)
					return err
				})
				refused := new(pgconn.PgError)
				require.ErrorAs(t, err, &refused, sql)
				require.Equal(t, "42501", refused.Code, sql)
				require.ErrorContains(t, err, says, sql)
			}
		}
	}
}

// TestRunSealsWhatIsWritten: woken by who wrote, or by time alone; it says when it cannot, and goes on when it can.
func TestRunSealsWhatIsWritten(t *testing.T) {
	t.Parallel()
	for name, woken := range map[string]bool{"woken": true, "by time": false} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			db := pgtest.New(t)
			key, verifier := newKey(t, origin)
			signed, changed, outcomes := make(chan []byte, 1), make(chan struct{}), make(chan error, 100)
			options := sealer.Options{
				Key: key, Pause: time.Millisecond, Poll: time.Hour,
				Changed: func() <-chan struct{} { return changed },
				Signed:  func(note []byte) { signed <- note },
				Outcome: func(err error) { outcomes <- err },
			}
			if !woken {
				options.Changed, options.Poll = nil, 10*time.Millisecond
			}
			ctx, stop := context.WithCancel(t.Context())
			ended := make(chan struct{})
			go func() {
				defer close(ended)
				sealer.New(db.App, options).Run(ctx)
			}()
			require.NoError(t, <-outcomes)
			write(t, db, 5)
			close(changed)
			c, err := seal.Open(<-signed, verifier)
			require.NoError(t, err)
			require.EqualValues(t, 5, c.Size)
			stop()
			<-ended
		})
	}
}
