package backup_test

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/jackc/pgx/v5/pgxpool"
	"github.com/stretchr/testify/require"

	"firstout/internal/events/eventlog"
	"firstout/internal/events/seal"
	"firstout/internal/events/sealer"
	"firstout/internal/pgboot"
	"firstout/internal/pgtest"
	"firstout/migrations"
)

// TestARehearsalOfGoingBackToAMoment does what docs/backup.md says by hand: a base backup, an archive of the write-ahead
// log, a mishap, and back to the moment before it. What comes back is the beginning of the book up to that moment, as a
// checkpoint that was taken away vouches for.
func TestARehearsalOfGoingBackToAMoment(t *testing.T) {
	t.Parallel()
	before := startCluster(t, folder(t))
	tool := pgBasebackup(t, before)
	archive := filepath.Join(folder(t), "archive")
	before.mkdir(archive)
	require.NoError(t, eventlog.MarkBook(t.Context(), before.App, eventlog.BookTest))
	before.super("ALTER SYSTEM SET archive_mode = on",
		fmt.Sprintf("ALTER SYSTEM SET archive_command = 'test ! -f %[1]s/%%f && cp %%p %[1]s/%%f'", archive))
	before.stop()
	before = startCluster(t, before.folder)
	for range 5 {
		hold(t, before.DB)
	}

	// The base backup, while the book is written.
	copied := folder(t)
	before.mkdir(filepath.Join(copied, "data"))
	base := exec.CommandContext(t.Context(), tool, "--pgdata", filepath.Join(copied, "data"), "--dbname", before.server.URL("postgres", pgboot.Superuser), "--checkpoint", "fast", "--wal-method", "none")
	base.SysProcAttr, base.Dir = before.user(), copied
	said, err := base.CombinedOutput()
	require.NoError(t, err, "%s", said)

	// A day goes on, a checkpoint leaves the house, and then the mishap.
	for range 7 {
		hold(t, before.DB)
	}
	key, verifier := sealed(t, before.DB)
	outside := newestCheckpoint(t, before.DB)
	require.EqualValues(t, 12, outside.Size)
	hold(t, before.DB)
	wanted := rows(t, before.DB, "SELECT l::text FROM log l ORDER BY position")
	before.super("SELECT pg_create_restore_point('before the mishap')")
	for range 3 {
		hold(t, before.DB)
	}
	sealAll(t, before.DB, key)
	lost := newestCheckpoint(t, before.DB)
	epoch := rows(t, before.DB, "SELECT epoch FROM head")
	before.archived(archive)
	before.stop()

	// Back to the moment before it.
	settings := fmt.Sprintf("restore_command = 'cp %s/%%f %%p'\nrecovery_target_name = 'before the mishap'\nrecovery_target_action = 'promote'\narchive_mode = off\n", archive)
	before.write(filepath.Join(copied, "data", "postgresql.auto.conf"), settings)
	before.write(filepath.Join(copied, "data", "recovery.signal"), "")
	password, err := os.ReadFile(filepath.Join(before.folder, "password"))
	require.NoError(t, err)
	require.NoError(t, os.WriteFile(filepath.Join(copied, "password"), password, 0o600))
	after := startCluster(t, copied)

	require.Equal(t, wanted, rows(t, after.DB, "SELECT l::text FROM log l ORDER BY position"), "the book up to that moment, and no more")
	report, err := sealer.Verify(t.Context(), after.App, []seal.Checkpoint{outside}, verifier)
	require.NoError(t, err)
	require.Equal(t, outside.Size, report.Sealed)
	_, err = sealer.Verify(t.Context(), after.App, []seal.Checkpoint{lost}, verifier)
	finding := new(seal.Finding)
	require.ErrorAs(t, err, &finding, "a checkpoint of what was lost says so")
	require.EqualValues(t, 14, finding.Position)
	pgtest.CheckBook(t, after.DB)

	// PostgreSQL does not know that positions are given anew: the new epoch says it.
	require.Equal(t, epoch, rows(t, after.DB, "SELECT epoch FROM head"))
	_, err = eventlog.NewEpoch(t.Context(), after.Owner)
	require.NoError(t, err)
	require.NotEqual(t, epoch, rows(t, after.DB, "SELECT epoch FROM head"))
	hold(t, after.DB)
	sealAll(t, after.DB, key)
	report, err = sealer.Verify(t.Context(), after.App, []seal.Checkpoint{outside}, verifier)
	require.NoError(t, err)
	require.EqualValues(t, 14, report.Sealed, "the book goes on")
	after.stop()
}

func newestCheckpoint(t *testing.T, db *pgtest.DB) seal.Checkpoint {
	t.Helper()
	newest, found, err := sealer.Newest(t.Context(), db.App)
	require.NoError(t, err)
	require.True(t, found)
	c, err := seal.Peek(newest.Note)
	require.NoError(t, err)
	return c
}

// cluster is a PostgreSQL of its own with a book.
type cluster struct {
	*pgtest.DB
	t      *testing.T
	server *pgboot.Server
	folder string
	stop   func()
}

func startCluster(t *testing.T, folder string) *cluster {
	t.Helper()
	server, err := pgboot.Start(t.Context(), pgboot.Config{DataDir: folder, Throwaway: true, NoFetch: true})
	if missing := new(pgboot.NotFoundError); errors.As(err, &missing) {
		t.Skipf("SKIPPED, GOING BACK TO A MOMENT IS NOT REHEARSED HERE: %v", err)
	}
	require.NoError(t, err)
	c := &cluster{t: t, server: server, folder: folder}
	c.promoted()
	require.NoError(t, migrations.EnsureRoles(t.Context(), server.URL("postgres", pgboot.Superuser), migrations.Access{
		Database: "firstout", OwnerPassword: server.Password(migrations.OwnerRole), AppPassword: server.Password(migrations.AppRole),
	}))
	pool := func(role string) *pgxpool.Pool {
		p, err := pgxpool.New(t.Context(), server.URL("firstout", role))
		require.NoError(t, err)
		return p
	}
	c.DB = &pgtest.DB{Owner: pool(migrations.OwnerRole), App: pool(migrations.AppRole), SuperuserURL: server.URL("firstout", pgboot.Superuser)}
	stopped := false
	c.stop = func() {
		if !stopped {
			stopped = true
			c.Owner.Close()
			c.App.Close()
			require.NoError(t, server.Stop(context.WithoutCancel(t.Context())))
		}
	}
	t.Cleanup(c.stop)
	require.NoError(t, migrations.Up(t.Context(), c.Owner))
	return c
}

// promoted waits until a server that goes back to a moment is there: it answers questions before that, and takes no writes.
func (c *cluster) promoted() {
	c.t.Helper()
	superuser, err := pgxpool.New(c.t.Context(), c.server.URL("postgres", pgboot.Superuser))
	require.NoError(c.t, err)
	defer superuser.Close()
	require.Eventually(c.t, func() bool {
		recovers := true
		err := superuser.QueryRow(c.t.Context(), "SELECT pg_is_in_recovery()").Scan(&recovers)
		return err == nil && !recovers
	}, time.Minute, 20*time.Millisecond, "it never came out of recovery")
}

// folder is one that a server's own user can pass through.
func folder(t *testing.T) string {
	t.Helper()
	dir, err := os.MkdirTemp("", "firstout-test-") //nolint:usetesting // the server's own user cannot enter t.TempDir
	require.NoError(t, err)
	require.NoError(t, os.Chmod(dir, 0o755))
	t.Cleanup(func() { require.NoError(t, os.RemoveAll(dir)) })
	return dir
}

// super does something as the superuser.
func (c *cluster) super(statements ...string) {
	c.t.Helper()
	for _, sql := range statements {
		pool, err := pgxpool.New(c.t.Context(), c.SuperuserURL)
		require.NoError(c.t, err)
		_, err = pool.Exec(c.t.Context(), sql)
		pool.Close()
		require.NoError(c.t, err, sql)
	}
}

// owner is the user that the server runs as.
func (c *cluster) owner() *syscall.Stat_t {
	info, err := os.Stat(filepath.Join(c.folder, "data"))
	require.NoError(c.t, err)
	return info.Sys().(*syscall.Stat_t)
}

func (c *cluster) user() *syscall.SysProcAttr {
	if os.Geteuid() != 0 {
		return nil
	}
	return &syscall.SysProcAttr{Credential: &syscall.Credential{Uid: c.owner().Uid, Gid: c.owner().Gid}}
}

func (c *cluster) mkdir(path string) {
	c.t.Helper()
	require.NoError(c.t, os.Mkdir(path, 0o700))
	require.NoError(c.t, os.Chown(path, int(c.owner().Uid), int(c.owner().Gid)))
}

// write adds to a file of the server's.
func (c *cluster) write(path, text string) {
	c.t.Helper()
	file, err := os.OpenFile(path, os.O_WRONLY|os.O_APPEND|os.O_CREATE, 0o600)
	require.NoError(c.t, err)
	_, err = file.WriteString(text)
	require.NoError(c.t, err)
	require.NoError(c.t, file.Close())
	require.NoError(c.t, os.Chown(path, int(c.owner().Uid), int(c.owner().Gid)))
}

// archived waits until all of the write-ahead log so far is in the archive.
func (c *cluster) archived(archive string) {
	c.t.Helper()
	file := rows(c.t, &pgtest.DB{Owner: c.superuser()}, "SELECT pg_walfile_name(pg_switch_wal())")[0]
	for limit := time.After(2 * time.Minute); ; {
		if _, err := os.Stat(filepath.Join(archive, file)); !errors.Is(err, fs.ErrNotExist) {
			require.NoError(c.t, err)
			if waiting := rows(c.t, c.DB, "SELECT count(*)::text FROM pg_stat_archiver WHERE last_archived_wal >= '"+file+"'"); waiting[0] == "1" {
				return
			}
		}
		select {
		case <-limit:
			c.t.Fatalf("%s is not in the archive", file)
		case <-time.After(10 * time.Millisecond):
		}
	}
}

func (c *cluster) superuser() *pgxpool.Pool {
	c.t.Helper()
	pool, err := pgxpool.New(c.t.Context(), c.SuperuserURL)
	require.NoError(c.t, err)
	c.t.Cleanup(pool.Close)
	return pool
}

// pgBasebackup is the program of the server's own version.
func pgBasebackup(t *testing.T, c *cluster) string {
	t.Helper()
	major := rows(t, c.DB, "SELECT (current_setting('server_version_num')::int / 10000)::text")[0]
	for _, pattern := range []string{"/usr/lib/postgresql/" + major + "/bin/pg_basebackup", "/usr/pgsql-" + major + "/bin/pg_basebackup", "/opt/homebrew/opt/postgresql@" + major + "/bin/pg_basebackup"} {
		if _, err := os.Stat(pattern); err == nil {
			return pattern
		}
	}
	if path, err := exec.LookPath("pg_basebackup"); err == nil {
		if said, err := exec.CommandContext(t.Context(), path, "--version").Output(); err == nil && strings.Contains(string(said), ") "+major+".") {
			return path
		}
	}
	t.Skipf("SKIPPED, GOING BACK TO A MOMENT IS NOT REHEARSED HERE: there is no pg_basebackup of PostgreSQL %s", major)
	return ""
}
