package pgboot_test

import (
	"bufio"
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"os"
	"os/exec"
	"os/user"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"

	"firstout/internal/pgboot"
)

// The test binary plays two more parts: a process that owns a server and can be killed, and an ordinary user.
const (
	ownerOf     = "PGBOOT_TEST_OWNER_OF" // be the owner of that data folder until standard input ends
	ownerDies   = "PGBOOT_TEST_THROWAWAY"
	patience    = 20 * time.Second
	lookAgainIn = 10 * time.Millisecond
)

func TestMain(m *testing.M) {
	if dir := os.Getenv(ownerOf); dir != "" {
		if err := beOwner(dir); err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(1)
		}
		return
	}
	os.Exit(run(m))
}

func run(m *testing.M) int {
	// Killed owners leave things behind: all of it in one place.
	temp, err := os.MkdirTemp("", "pgboot-")
	if err != nil {
		panic(err)
	}
	defer os.RemoveAll(temp)
	// These tests wait for other processes most of the time.
	if err := errors.Join(os.Chmod(temp, 0o755), os.Setenv("TMPDIR", temp), flag.Set("test.parallel", "6")); err != nil {
		panic(err)
	}
	return m.Run()
}

func beOwner(dir string) error {
	ctx := context.Background()
	s, err := pgboot.Start(ctx, pgboot.Config{DataDir: dir, NoFetch: true, Throwaway: os.Getenv(ownerDies) != ""})
	if err != nil {
		return err
	}
	fmt.Println(s.Owner())
	if _, err := io.Copy(io.Discard, os.Stdin); err != nil {
		return err
	}
	return s.Stop(ctx)
}

// another starts a process that owns, or is a guest of, the folder's server; it ends when its input is closed or it is killed.
func another(t *testing.T, dir string, as *syscall.SysProcAttr, env ...string) (cmd *exec.Cmd, input io.Closer, said string) {
	t.Helper()
	self, err := os.Executable()
	require.NoError(t, err)
	if as != nil {
		self = reachableTestBinary(t)
	}
	cmd = exec.CommandContext(t.Context(), self)
	cmd.Env = append(append(os.Environ(), ownerOf+"="+dir), env...)
	cmd.SysProcAttr, cmd.Dir = as, "/"
	in, err := cmd.StdinPipe()
	require.NoError(t, err)
	out, err := cmd.StdoutPipe()
	require.NoError(t, err)
	var problems strings.Builder
	cmd.Stderr = &problems
	require.NoError(t, cmd.Start())
	said, err = bufio.NewReader(out).ReadString('\n')
	if err != nil {
		_ = cmd.Wait()
		return cmd, in, problems.String()
	}
	return cmd, in, strings.TrimSpace(said)
}

// folder is an empty folder that the server's user reaches, which t.TempDir() is not.
func folder(t *testing.T) string {
	t.Helper()
	dir, err := os.MkdirTemp("", "pgboot-")
	require.NoError(t, err)
	require.NoError(t, os.Chmod(dir, 0o755))
	dir, err = filepath.EvalSymlinks(dir)
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, os.RemoveAll(dir)) })
	return dir
}

var prepared struct {
	once sync.Once
	dir  string
	err  error
}

// withCluster is a data folder with a cluster in it: a copy of one that is made once.
func withCluster(t *testing.T) string {
	t.Helper()
	prepared.once.Do(func() {
		if prepared.dir, prepared.err = os.MkdirTemp("", "pgboot-"); prepared.err != nil {
			return
		}
		if prepared.err = os.Chmod(prepared.dir, 0o755); prepared.err != nil {
			return
		}
		var s *pgboot.Server
		if s, prepared.err = pgboot.Start(context.Background(), throwaway(prepared.dir)); prepared.err != nil {
			return
		}
		prepared.err = s.Stop(context.Background())
	})
	require.NoError(t, prepared.err)
	dir := folder(t)
	require.NoError(t, os.CopyFS(dir, os.DirFS(prepared.dir)))
	require.NoError(t, os.Chmod(filepath.Join(dir, "data"), 0o700))
	return dir
}

func throwaway(dir string) pgboot.Config {
	return pgboot.Config{DataDir: dir, NoFetch: true, Throwaway: true}
}

// start starts a server and stops it when the test ends.
func start(t *testing.T, cfg pgboot.Config) *pgboot.Server {
	t.Helper()
	s, err := pgboot.Start(t.Context(), cfg)
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, s.Stop(context.Background())) })
	return s
}

// ask runs one query that answers one text.
func ask(t *testing.T, url, query string) string {
	t.Helper()
	answer, err := tryAsk(t.Context(), url, query)
	require.NoError(t, err)
	return answer
}

func tryAsk(ctx context.Context, url, query string) (string, error) {
	conn, err := pgx.Connect(ctx, url)
	if err != nil {
		return "", err
	}
	defer conn.Close(ctx)
	var answer string
	err = conn.QueryRow(ctx, query).Scan(&answer)
	return answer, err
}

// keep commits something.
func keep(t *testing.T, url, word string) {
	t.Helper()
	conn, err := pgx.Connect(t.Context(), url)
	require.NoError(t, err)
	_, err = conn.Exec(t.Context(), "CREATE TABLE t AS SELECT '"+word+"' AS word")
	require.NoError(t, err)
	require.NoError(t, conn.Close(t.Context()))
}

func serverOf(t *testing.T, dir string) int {
	t.Helper()
	pid, err := pgboot.Running(dir)
	require.NoError(t, err)
	return pid
}

// isRoot tells whether root's part can be tried. An ordinary user cannot; root tries the ordinary user's part as well, below.
func isRoot(t *testing.T) bool {
	t.Helper()
	if os.Geteuid() != 0 {
		t.Log("not root: only the ordinary user's part is tried")
	}
	return os.Geteuid() == 0
}

// nobody are the attributes of a process of an ordinary user.
func nobody(t *testing.T) *syscall.SysProcAttr {
	t.Helper()
	u, err := user.Lookup("nobody")
	require.NoError(t, err)
	uid, err := strconv.ParseUint(u.Uid, 10, 32)
	require.NoError(t, err)
	gid, err := strconv.ParseUint(u.Gid, 10, 32)
	require.NoError(t, err)
	return &syscall.SysProcAttr{Credential: &syscall.Credential{Uid: uint32(uid), Gid: uint32(gid)}}
}

// reachableTestBinary is this program where other users may start it.
func reachableTestBinary(t *testing.T) string {
	t.Helper()
	self, err := os.Executable()
	require.NoError(t, err)
	binary := filepath.Join(folder(t), "pgboot.test")
	program, err := os.ReadFile(self)
	require.NoError(t, err)
	require.NoError(t, os.WriteFile(binary, program, 0o755))
	return binary
}

// TestAsOrdinaryUser runs what depends on the user once more, as one that is not root.
func TestAsOrdinaryUser(t *testing.T) {
	t.Parallel()
	if !isRoot(t) {
		return
	}
	as := nobody(t)
	temp := folder(t)
	require.NoError(t, os.Chown(temp, int(as.Credential.Uid), int(as.Credential.Gid)))
	binary := reachableTestBinary(t)
	run := func() ([]byte, error) {
		cmd := exec.CommandContext(t.Context(), binary, "-test.v", "-test.run=^("+strings.Join(asOrdinaryUser, "|")+")$")
		cmd.SysProcAttr, cmd.Dir = as, "/"
		cmd.Env = append(os.Environ(), "TMPDIR="+temp, "HOME="+temp)
		return cmd.CombinedOutput()
	}
	said, err := run()
	for errors.Is(err, syscall.ETXTBSY) { // a process that another test began just then still has the file open
		said, err = run()
	}
	require.NoError(t, err, "%s", said)
	for _, name := range asOrdinaryUser {
		require.Contains(t, string(said), "--- PASS: "+name+" ")
	}
}

var asOrdinaryUser = []string{
	"TestStartStopAndStartAgain", "TestAdoptedAfterOurCrash", "TestStartedAgainWhenItDies", "TestAThrowawayServerDiesWithItsProcess",
	"TestAServerStartedByOtherMeans", "TestFetchedAsALastResort",
}
