package pgboot_test

import (
	"context"
	"errors"
	"io/fs"
	"net"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"

	"firstout/internal/pgboot"
)

func TestStartStopAndStartAgain(t *testing.T) {
	t.Parallel()
	dir := filepath.Join(folder(t), "made", "if missing")
	s, err := pgboot.Start(t.Context(), pgboot.Config{DataDir: dir, NoFetch: true})
	require.NoError(t, err)
	require.True(t, s.Owner())
	address := s.URL("postgres", pgboot.Superuser)
	for setting, want := range map[string]string{
		"fsync": "on", "synchronous_commit": "on", "full_page_writes": "on", "listen_addresses": "", "max_connections": "100",
		"unix_socket_permissions": "0700", "password_encryption": "scram-sha-256", "server_encoding": "UTF8", "TimeZone": "UTC",
	} {
		require.Equal(t, want, ask(t, address, "SHOW "+setting), setting)
	}
	require.Equal(t, "C", ask(t, address, "SELECT datcollate FROM pg_database WHERE datname = 'postgres'"))
	keep(t, address, "kept")
	for file, mode := range map[string]fs.FileMode{"password": 0o600, "lock": 0o600, "data": 0o700} {
		info, err := os.Stat(filepath.Join(dir, file))
		require.NoError(t, err)
		require.Equal(t, mode, info.Mode().Perm(), file)
	}
	sockets, err := os.Stat(s.SocketDir())
	require.NoError(t, err)
	require.Equal(t, fs.FileMode(0o700), sockets.Mode().Perm())

	require.NoError(t, s.Stop(t.Context()))
	require.NoError(t, s.Stop(t.Context()), "a second time")
	require.Zero(t, serverOf(t, dir))
	require.NoDirExists(t, s.SocketDir())
	names, err := filepath.Glob(filepath.Join(dir, "password*"))
	require.NoError(t, err)
	require.Len(t, names, 1, "the copy made for initdb is gone")
	said, err := os.ReadFile(filepath.Join(dir, "postgres.log"))
	require.NoError(t, err)
	require.Contains(t, string(said), "database system is shut down", "in order")

	again := start(t, throwaway(dir))
	require.Equal(t, address, again.URL("postgres", pgboot.Superuser))
	require.Equal(t, "kept", ask(t, address, "SELECT word FROM t"))
	require.Equal(t, "off", ask(t, address, "SHOW fsync"), "a throwaway server")
}

// TestOneServer looks at one server, on TCP as well, from many sides.
func TestOneServer(t *testing.T) {
	t.Parallel()
	var config net.ListenConfig
	l, err := config.Listen(t.Context(), "tcp", "127.0.0.1:0")
	require.NoError(t, err)
	cfg := throwaway(withCluster(t))
	cfg.Port, cfg.MaxConnections = l.Addr().(*net.TCPAddr).Port, 33
	require.NoError(t, l.Close())
	s := start(t, cfg)
	address := s.URL("postgres", pgboot.Superuser)
	require.Equal(t, "33", ask(t, address, "SHOW max_connections"))

	overTCP := strings.Replace(address, url.QueryEscape(s.SocketDir()), "127.0.0.1", 1)
	require.Equal(t, "127.0.0.1", ask(t, overTCP, "SELECT host(inet_server_addr())"))

	_, err = tryAsk(t.Context(), strings.Replace(address, s.Password(pgboot.Superuser), "guess", 1), "SELECT 'in'")
	require.ErrorContains(t, err, "28P01", "a wrong password")
	require.NotEqual(t, s.Password("a"), s.Password("b"))
	require.NotContains(t, s.Password("a"), s.Password(pgboot.Superuser))

	link := filepath.Join(folder(t), "link")
	require.NoError(t, os.Symlink(cfg.DataDir, link))
	guest := start(t, throwaway(link))
	require.False(t, guest.Owner(), "two names, one server")
	require.Equal(t, address, guest.URL("postgres", pgboot.Superuser))

	cmd, input, said := another(t, cfg.DataDir, nil)
	require.Equal(t, "false", said, "a guest in another process")
	require.NoError(t, input.Close())
	require.NoError(t, cmd.Wait())
	require.NotZero(t, serverOf(t, cfg.DataDir), "guests do not stop it")
}

func TestManyProcessesOneOwner(t *testing.T) {
	t.Parallel()
	dir := folder(t) // no cluster yet: the guests wait for the owner to make it
	var owners atomic.Int32
	servers := make([]*pgboot.Server, 8)
	var all sync.WaitGroup
	for i := range servers {
		all.Go(func() {
			s, err := pgboot.Start(t.Context(), throwaway(dir))
			if err != nil {
				t.Error(err)
				return
			}
			servers[i] = s
			if s.Owner() {
				owners.Add(1)
			}
		})
	}
	all.Wait()
	require.EqualValues(t, 1, owners.Load())
	for _, s := range servers {
		require.Equal(t, "in", ask(t, s.URL("postgres", pgboot.Superuser), "SELECT 'in'"))
	}
	var owner *pgboot.Server
	for _, s := range servers {
		if s.Owner() {
			owner = s
			continue
		}
		require.NoError(t, s.Stop(t.Context()))
	}
	require.NotZero(t, serverOf(t, dir), "guests do not stop it")
	require.NoError(t, owner.Stop(t.Context()))
	require.Zero(t, serverOf(t, dir))
}

func TestAdoptedAfterOurCrash(t *testing.T) {
	t.Parallel()
	dir := withCluster(t)
	cmd, _, said := another(t, dir, nil)
	require.Equal(t, "true", said)
	server := serverOf(t, dir)
	require.NoError(t, cmd.Process.Kill())
	require.Error(t, cmd.Wait())
	require.Equal(t, server, serverOf(t, dir), "the server lives on")

	s, err := pgboot.Start(t.Context(), throwaway(dir))
	require.NoError(t, err)
	require.True(t, s.Owner())
	require.Equal(t, server, serverOf(t, dir), "the same server")
	require.Equal(t, "in", ask(t, s.URL("postgres", pgboot.Superuser), "SELECT 'in'"))
	require.NoError(t, s.Stop(t.Context()))
	require.Zero(t, serverOf(t, dir))
	require.NoDirExists(t, s.SocketDir())
}

func TestAnAdoptedServerIsStartedAgainToo(t *testing.T) {
	t.Parallel()
	dir := withCluster(t)
	cmd, _, said := another(t, dir, nil)
	require.Equal(t, "true", said)
	require.NoError(t, cmd.Process.Kill())
	require.Error(t, cmd.Wait())
	s := start(t, throwaway(dir))
	diesAndComesBack(t, s, dir)
}

func TestAServerWhoseSocketWasClearedAway(t *testing.T) {
	t.Parallel()
	dir := withCluster(t)
	s := start(t, throwaway(dir)) // only to learn the folder's name
	require.NoError(t, s.Stop(t.Context()))
	cmd, _, said := another(t, dir, nil)
	require.Equal(t, "true", said)
	server := serverOf(t, dir)
	require.NoError(t, cmd.Process.Kill())
	require.Error(t, cmd.Wait())
	require.NoError(t, os.RemoveAll(s.SocketDir()))

	s = start(t, throwaway(dir))
	require.NotEqual(t, server, serverOf(t, dir))
	require.Equal(t, "in", ask(t, s.URL("postgres", pgboot.Superuser), "SELECT 'in'"))
}

func TestStartedAgainWhenItDies(t *testing.T) {
	t.Parallel()
	dir := withCluster(t)
	s := start(t, pgboot.Config{DataDir: dir, NoFetch: true})
	address := s.URL("postgres", pgboot.Superuser)
	keep(t, address, "kept")
	open, err := pgx.Connect(t.Context(), address) // a session whose process outlives the server a little
	require.NoError(t, err)
	diesAndComesBack(t, s, dir)
	require.Equal(t, "kept", ask(t, address, "SELECT word FROM t"), "what was committed is there")
	diesAndComesBack(t, s, dir)
	require.Error(t, open.Ping(t.Context()))
}

func diesAndComesBack(t *testing.T, s *pgboot.Server, dir string) {
	t.Helper()
	server := serverOf(t, dir)
	require.NoError(t, syscall.Kill(server, syscall.SIGKILL))
	require.Eventually(t, func() bool {
		now, err := pgboot.Running(dir)
		if err != nil || now == 0 || now == server {
			return false
		}
		_, err = tryAsk(t.Context(), s.URL("postgres", pgboot.Superuser), "SELECT 'in'")
		return err == nil
	}, patience, lookAgainIn)
}

func TestAThrowawayServerDiesWithItsProcess(t *testing.T) {
	t.Parallel()
	dir := withCluster(t)
	cmd, _, said := another(t, dir, nil, ownerDies+"=yes")
	require.Equal(t, "true", said)
	require.NoError(t, cmd.Process.Kill())
	require.Error(t, cmd.Wait())
	require.Eventually(t, func() bool { return serverOf(t, dir) == 0 }, patience, lookAgainIn)
}

func TestStateFilesOfTheDead(t *testing.T) {
	t.Parallel()
	dir := withCluster(t)
	for name, pid := range map[string]string{
		"another program has the number by now": strconv.Itoa(os.Getpid()),
		"nobody has the number":                 "2147483646",
		"half written":                          "",
		"not a number":                          "x",
	} {
		t.Run(name, func(t *testing.T) {
			state := strings.Join([]string{pid, filepath.Join(dir, "data"), "1", "5432", "/nowhere", "", "", "ready"}, "\n")
			require.NoError(t, os.WriteFile(filepath.Join(dir, "data", "postmaster.pid"), []byte(state), 0o600))
			s := start(t, throwaway(dir))
			require.True(t, s.Owner())
			require.Equal(t, "in", ask(t, s.URL("postgres", pgboot.Superuser), "SELECT 'in'"))
		})
	}
}

func TestAServerStartedByOtherMeans(t *testing.T) {
	t.Parallel()
	if isRoot(t) {
		return // it takes the server's user to start one by hand
	}
	dir, sockets := withCluster(t), folder(t)
	bin, _, err := pgboot.Find(t.Context(), throwaway(dir), 0)
	require.NoError(t, err)
	cmd := exec.CommandContext(t.Context(), filepath.Join(bin, "postgres"), "-D", filepath.Join(dir, "data"), "-k", sockets, "-h", "")
	require.NoError(t, cmd.Start())
	defer func() {
		require.NoError(t, cmd.Process.Signal(syscall.SIGQUIT))
		require.NoError(t, ignoreExit(cmd.Wait()))
	}()
	require.Eventually(t, func() bool { return serverOf(t, dir) != 0 }, patience, lookAgainIn)
	_, err = pgboot.Start(t.Context(), throwaway(dir))
	require.ErrorContains(t, err, "was started by other means: stop it first")
	require.DirExists(t, sockets, "nothing of theirs is touched")
	require.NotZero(t, serverOf(t, dir))
}

func ignoreExit(err error) error {
	if exit := new(exec.ExitError); errors.As(err, &exit) {
		return nil
	}
	return err
}

func TestStopWithASessionThatDoesNotEnd(t *testing.T) {
	t.Parallel()
	const lateMost = 25 * time.Second // 10 s, told to end at once, and then the server itself waits 5 s for the process that is stuck
	for name, ctx := range map[string]func() (context.Context, context.CancelFunc){
		"in its own time": func() (context.Context, context.CancelFunc) { return context.WithCancel(context.Background()) },
		"in a hurry": func() (context.Context, context.CancelFunc) {
			return context.WithTimeout(context.Background(), lookAgainIn)
		},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			dir := withCluster(t)
			s := start(t, throwaway(dir))
			conn, err := pgx.Connect(t.Context(), s.URL("postgres", pgboot.Superuser))
			require.NoError(t, err)
			var session int
			require.NoError(t, conn.QueryRow(t.Context(), "SELECT pg_backend_pid()").Scan(&session))
			require.NoError(t, syscall.Kill(session, syscall.SIGSTOP))
			stopping, cancel := ctx()
			defer cancel()
			stopped := make(chan error, 1)
			go func() { stopped <- s.Stop(stopping) }()
			select {
			case err := <-stopped:
				require.NoError(t, err)
			case <-time.After(lateMost):
				t.Fatal("still not stopped")
			}
			require.Zero(t, serverOf(t, dir))
		})
	}
}

func TestADeepDataFolder(t *testing.T) {
	t.Parallel()
	deep := filepath.Join(folder(t), strings.Repeat("deep/", 30))
	require.NoError(t, os.MkdirAll(filepath.Dir(deep), 0o755))
	require.NoError(t, os.Rename(withCluster(t), deep))
	s := start(t, throwaway(deep))
	require.Equal(t, "in", ask(t, s.URL("postgres", pgboot.Superuser), "SELECT 'in'"))
}

func TestAnUnfinishedCluster(t *testing.T) {
	t.Parallel()
	dir := folder(t)
	require.NoError(t, os.MkdirAll(filepath.Join(dir, "data.init", "base"), 0o700))
	require.NoError(t, os.WriteFile(filepath.Join(dir, "password"), []byte("of the unfinished one"), 0o600))
	s := start(t, throwaway(dir))
	require.Equal(t, "in", ask(t, s.URL("postgres", pgboot.Superuser), "SELECT 'in'"))
	require.NoDirExists(t, filepath.Join(dir, "data.init"))
}

// TestAStartThatFails tries one folder again and again: each time the lock is given back and no server is left.
func TestAStartThatFails(t *testing.T) {
	t.Parallel()
	dir := withCluster(t)
	for _, c := range []struct{ file, content, want string }{
		{"data/postgresql.auto.conf", "no_such_setting = 1\n", `unrecognized configuration parameter "no_such_setting"`},
		{"data/PG_VERSION", "14\n", "was made by PostgreSQL 14, and no server binaries of that version were found"},
		{"data/PG_VERSION", "fourteen\n", "wanted a number"},
	} {
		path := filepath.Join(dir, c.file)
		before, err := os.ReadFile(path)
		require.NoError(t, err)
		require.NoError(t, os.WriteFile(path, []byte(c.content), 0o600))
		_, err = pgboot.Start(t.Context(), throwaway(dir))
		require.ErrorContains(t, err, c.want)
		require.NoError(t, os.WriteFile(path, before, 0o600))
	}
	require.NoError(t, os.Rename(filepath.Join(dir, "password"), filepath.Join(dir, "lost")))
	_, err := pgboot.Start(t.Context(), throwaway(dir))
	require.ErrorContains(t, err, "the cluster's password is kept beside it")
	require.ErrorIs(t, err, fs.ErrNotExist)
	require.Zero(t, serverOf(t, dir))
	require.NoError(t, os.Rename(filepath.Join(dir, "lost"), filepath.Join(dir, "password")))
	s := start(t, throwaway(dir))
	require.Equal(t, "in", ask(t, s.URL("postgres", pgboot.Superuser), "SELECT 'in'"), "nothing was harmed")
}

func TestARefusedFolder(t *testing.T) {
	t.Parallel()
	_, err := pgboot.Start(t.Context(), pgboot.Config{})
	require.ErrorContains(t, err, "no data folder named")
	cluster := folder(t)
	require.NoError(t, os.WriteFile(filepath.Join(cluster, "PG_VERSION"), []byte("17\n"), 0o600))
	_, err = pgboot.Start(t.Context(), throwaway(cluster))
	require.ErrorContains(t, err, "is a cluster itself; name the folder that should hold one")
}

func TestRootNeedsAFolderTheServersUserReaches(t *testing.T) {
	t.Parallel()
	if !isRoot(t) {
		return
	}
	closed := filepath.Join(folder(t), "closed")
	require.NoError(t, os.Mkdir(closed, 0o700))
	_, err := pgboot.Start(t.Context(), throwaway(filepath.Join(closed, "data folder")))
	require.ErrorContains(t, err, closed+" (mode 0700) does not let user ")
	require.ErrorContains(t, err, "/var/lib/firstout")
}

func TestRootRunsTheServerAsTheClustersOwner(t *testing.T) {
	t.Parallel()
	if !isRoot(t) {
		return
	}
	dir, as := withCluster(t), nobody(t).Credential
	data := filepath.Join(dir, "data")
	require.NoError(t, filepath.WalkDir(data, func(path string, _ fs.DirEntry, err error) error {
		return errors.Join(err, os.Chown(path, int(as.Uid), int(as.Gid)))
	}))
	start(t, throwaway(dir))
	info, err := os.Stat(filepath.Join("/proc", strconv.Itoa(serverOf(t, dir))))
	require.NoError(t, err)
	require.Equal(t, as.Uid, info.Sys().(*syscall.Stat_t).Uid)
}

func TestAnotherUsersFolder(t *testing.T) {
	t.Parallel()
	if !isRoot(t) {
		return
	}
	dir := withCluster(t)
	require.NoError(t, start(t, throwaway(dir)).Stop(t.Context()))
	_, _, said := another(t, dir, nobody(t))
	require.Contains(t, said, "run it as that user, or choose another data folder")
}
