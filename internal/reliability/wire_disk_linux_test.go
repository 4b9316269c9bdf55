package reliability_test

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"syscall"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgxpool"
	"github.com/stretchr/testify/require"

	"firstout/internal/events/eventlog"
	"firstout/internal/pgboot"
	"firstout/internal/pgtest"
	"firstout/migrations"
)

// The sizes of the disks: what a new cluster takes, and room for a test.
const (
	dataDisk = "112m"
	walDisk  = "80m"
)

// smallDisk mounts a file system of its own in memory. Where that is not allowed the test cannot be made, which the long
// form does not let pass.
func smallDisk(t *testing.T, size string) string {
	t.Helper()
	dir, err := os.MkdirTemp("", "firstout-disk-") //nolint:usetesting // the server's own user cannot enter t.TempDir
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, os.RemoveAll(dir)) })
	if err := syscall.Mount("tmpfs", dir, "tmpfs", 0, "mode=0755,size="+size); err != nil {
		why := fmt.Sprintf("A FULL DISK IS NOT TESTED: mounting a small file system in %s: %v; run as root, in a container with CAP_SYS_ADMIN", dir, err)
		if long() {
			require.FailNow(t, why)
		}
		t.Skip(why)
	}
	t.Cleanup(func() {
		require.Eventually(t, func() bool { return syscall.Unmount(dir, 0) == nil }, guard, 100*time.Millisecond)
	})
	return dir
}

// fill takes up all the room there is on a disk, and gives back what gives it back.
func fill(t *testing.T, disk string) (empty func()) {
	t.Helper()
	path := filepath.Join(disk, "filler")
	f, err := os.Create(path)
	require.NoError(t, err)
	block := make([]byte, 1<<16)
	for size := len(block); size > 0; {
		if _, err = f.Write(block[:size]); err != nil {
			size /= 2 // the last few bytes too
		}
	}
	require.ErrorIs(t, err, syscall.ENOSPC)
	require.NoError(t, f.Close())
	return func() { require.NoError(t, os.Remove(path)) }
}

// A smallServer is a PostgreSQL whose data and write-ahead log lie on small disks of their own. It waits for its disk, and
// is started again when it dies, as the product does with its private one.
type smallServer struct {
	data, wal string // the disks
	db        *pgtest.DB
}

func newSmallServer(t *testing.T) *smallServer {
	t.Helper()
	s := &smallServer{data: smallDisk(t, dataDisk), wal: smallDisk(t, walDisk)}
	config := pgboot.Config{DataDir: filepath.Join(s.data, "pg"), NoFetch: true, Log: slog.New(slog.NewTextHandler(t.Output(), nil))}
	boot, err := pgboot.Start(t.Context(), config)
	require.NoError(t, err)
	require.NoError(t, boot.Stop(t.Context()))
	inData, inWAL := filepath.Join(config.DataDir, "data", "pg_wal"), filepath.Join(s.wal, "pg_wal")
	said, err := exec.CommandContext(t.Context(), "cp", "-a", inData, inWAL).CombinedOutput()
	require.NoError(t, err, "%s", said)
	require.NoError(t, errors.Join(os.RemoveAll(inData), os.Symlink(inWAL, inData)))
	boot, err = pgboot.Start(t.Context(), config)
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, boot.Stop(context.WithoutCancel(t.Context()))) })
	require.NoError(t, migrations.EnsureRoles(t.Context(), boot.URL("postgres", pgboot.Superuser), migrations.Access{
		Database: "firstout", OwnerPassword: boot.Password(migrations.OwnerRole), AppPassword: boot.Password(migrations.AppRole),
	}))
	s.db = &pgtest.DB{
		AppURL: boot.URL("firstout", migrations.AppRole), OwnerURL: boot.URL("firstout", migrations.OwnerRole),
		SuperuserURL: boot.URL("firstout", pgboot.Superuser),
	}
	for address, pool := range map[string]**pgxpool.Pool{s.db.AppURL: &s.db.App, s.db.OwnerURL: &s.db.Owner} {
		*pool, err = pgxpool.New(context.WithoutCancel(t.Context()), address)
		require.NoError(t, err)
		t.Cleanup((*pool).Close)
	}
	require.NoError(t, migrations.Up(t.Context(), s.db.Owner))
	require.NoError(t, eventlog.MarkBook(t.Context(), s.db.App, eventlog.BookTest))
	return s
}

// TestTheDiskOfTheDataIsFull fills the disk under the tables: what finds no room is put off, the process says why it is
// not ready, what was told stands, reading goes on, and room is all that is needed.
func TestTheDiskOfTheDataIsFull(t *testing.T) {
	t.Parallel()
	s := newSmallServer(t)
	w := newWired(t, s.db.AppURL, wiring{waits: patient})
	w.setUp()
	answers := map[string]told{}
	n := 0
	deliver := func(most int) (putOff bool) {
		for range most {
			n++
			key := fmt.Sprintf("D-%d", n)
			a, err := w.deliver(t.Context(), key)
			require.NoError(t, err)
			if putOff = a.status != http.StatusCreated; putOff {
				return true
			}
			answers[key] = a
		}
		return false
	}
	for range sized(1, 5) {
		require.False(t, deliver(20))
		empty := fill(t, s.data)
		require.True(t, deliver(5000), "the disk is full, and it never mattered")
		lastPutOff := fmt.Sprintf("D-%d", n)
		require.Contains(t, w.ready(http.StatusServiceUnavailable).body, "disk is full")
		w.must(http.MethodGet, "/v1/lots", "", "")
		w.must(http.MethodGet, "/healthz", "", "")
		empty()
		require.Eventually(t, func() bool { // by itself: nobody sends what would write
			ready, err := w.ask(t.Context(), http.MethodGet, "/readyz", "", "")
			return err == nil && ready.status == http.StatusOK
		}, guard, 50*time.Millisecond)
		a, err := w.insist(t.Context(), lastPutOff)
		require.NoError(t, err)
		answers[lastPutOff] = a
		require.False(t, deliver(20))
	}
	w.reckon(s.db.Owner, answers)
	pgtest.CheckBook(t, s.db)
}

// TestTheDiskOfTheLogIsFull fills the disk under the write-ahead log. PostgreSQL then ends itself, and cannot start
// again while there is no room: whoever keeps it running must try again. Nothing that was told is lost.
func TestTheDiskOfTheLogIsFull(t *testing.T) {
	t.Parallel()
	for range sized(1, 5) {
		fillTheLog(t, newSmallServer(t)) // one each: what one kept of its log is no room for the next time
	}
}

func fillTheLog(t *testing.T, s *smallServer) {
	t.Helper()
	w := newWired(t, s.db.AppURL, wiring{waits: patient})
	w.setUp()
	answers := map[string]told{}
	n := 0
	deliver := func(times int) {
		for range times {
			n++
			key := fmt.Sprintf("D-%d", n)
			a, err := w.insist(t.Context(), key)
			require.NoError(t, err)
			answers[key] = a
		}
	}
	deliver(20)
	started := s.startedAt(t)
	empty := fill(t, s.wal)
	for { // each switch asks for another segment of the log
		n++
		a, err := w.deliver(t.Context(), fmt.Sprintf("D-%d", n))
		require.NoError(t, err)
		if a.status != http.StatusCreated {
			n-- // deliver asks for it again
			break
		}
		answers[fmt.Sprintf("D-%d", n)] = a
		s.switchSegment(t)
	}
	w.ready(http.StatusServiceUnavailable)
	empty()
	mended := time.Now()
	deliver(1)
	t.Logf("normal %v after there was room", time.Since(mended).Round(time.Millisecond))
	deliver(20)
	require.NotEqual(t, started, s.startedAt(t), "the server never ended: there was room")
	w.reckon(s.db.Owner, answers)
	s.db.App.Reset()
	s.db.Owner.Reset()
	pgtest.CheckBook(t, s.db)
}

// switchSegment has the server begin a new segment of its log. It may end of it.
func (s *smallServer) switchSegment(t *testing.T) {
	t.Helper()
	conn, err := pgx.Connect(t.Context(), s.db.SuperuserURL)
	if err != nil {
		return
	}
	_, _ = conn.Exec(t.Context(), "SELECT pg_switch_wal()")
	_ = conn.Close(t.Context())
}

// startedAt tells one life of the server from another: when it last recovered or started.
func (s *smallServer) startedAt(t *testing.T) (at time.Time) {
	t.Helper()
	require.Eventually(t, func() bool {
		conn, err := pgx.Connect(t.Context(), s.db.SuperuserURL)
		if err != nil {
			return false
		}
		defer conn.Close(t.Context())
		return conn.QueryRow(t.Context(), "SELECT backend_start FROM pg_stat_activity WHERE backend_type = 'checkpointer'").Scan(&at) == nil
	}, guard, 50*time.Millisecond)
	return at
}
