package reliability_test

import (
	"context"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"testing"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgxpool"
	"github.com/stretchr/testify/require"

	"firstout/internal/pgboot"
	"firstout/internal/pgtest"
	"firstout/migrations"
)

// A server is a PostgreSQL of one test alone, which may be killed: unlike that of the other tests it waits for its disk.
type server struct {
	t      testing.TB
	boot   *pgboot.Server
	folder string
	at     address
	db     *pgtest.DB
}

// newServer starts one with an empty book. At the end the whole book in it is checked.
func newServer(t testing.TB) *server {
	t.Helper()
	folder, err := os.MkdirTemp("", "firstout-reliability-pg-") //nolint:usetesting // the server's own user cannot enter t.TempDir
	require.NoError(t, err)
	require.NoError(t, os.Chmod(folder, 0o755))
	t.Cleanup(func() { require.NoError(t, os.RemoveAll(folder)) })
	clearUp(t, folder)
	boot, err := pgboot.Start(t.Context(), pgboot.Config{DataDir: folder, NoFetch: true})
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, boot.Stop(context.WithoutCancel(t.Context()))) })
	require.NoError(t, migrations.EnsureRoles(t.Context(), boot.URL("postgres", pgboot.Superuser), migrations.Access{
		Database: "firstout", OwnerPassword: boot.Password(migrations.OwnerRole), AppPassword: boot.Password(migrations.AppRole),
	}))
	s := &server{t: t, boot: boot, folder: folder, at: address{app: boot.URL("firstout", migrations.AppRole), owner: boot.URL("firstout", migrations.OwnerRole)}}
	s.db = &pgtest.DB{AppURL: s.at.app, OwnerURL: s.at.owner, SuperuserURL: boot.URL("firstout", pgboot.Superuser)}
	for address, pool := range map[string]**pgxpool.Pool{s.at.app: &s.db.App, s.at.owner: &s.db.Owner} {
		*pool, err = pgxpool.New(context.WithoutCancel(t.Context()), address)
		require.NoError(t, err)
		t.Cleanup((*pool).Close)
	}
	return s
}

// clearUp ends the server of a folder, and takes the folder away, once this process has ended without doing so itself: a
// shell waits for the end of a pipe that only this process holds.
func clearUp(t testing.TB, folder string) {
	t.Helper()
	wait := exec.CommandContext(context.WithoutCancel(t.Context()), "sh", "-c",
		`trap "" INT TERM; cat; kill -QUIT "$(head -n 1 "$0/data/postmaster.pid")"; rm -rf "$0"`, folder)
	pipe, err := wait.StdinPipe()
	require.NoError(t, err)
	require.NoError(t, wait.Start())
	t.Cleanup(func() {
		_ = wait.Process.Kill()
		_ = wait.Wait() // it was killed
		_ = pipe.Close()
	})
}

// check checks the whole book. What the kills broke of the pools' connections is thrown away first.
func (s *server) check() {
	s.t.Helper()
	s.db.App.Reset()
	s.db.Owner.Reset()
	pgtest.CheckBook(s.t, s.db)
}

// superuser does something to the server's settings.
func (s *server) superuser(statements ...string) {
	s.t.Helper()
	conn, err := pgx.Connect(s.t.Context(), s.db.SuperuserURL)
	require.NoError(s.t, err)
	defer conn.Close(context.WithoutCancel(s.t.Context()))
	for _, statement := range statements {
		_, err := conn.Exec(s.t.Context(), statement)
		require.NoError(s.t, err, statement)
	}
}

// kill ends every process of the server as the kernel does when memory is short: none of them can write anything more, and what was
// in the memory they shared is gone. The postmaster is stopped first, so that it neither starts new ones nor tidies up.
func (s *server) kill() {
	s.t.Helper()
	postmaster := s.postmaster()
	require.NoError(s.t, syscall.Kill(postmaster, syscall.SIGSTOP))
	for _, child := range childrenOf(s.t, postmaster) {
		_ = syscall.Kill(child, syscall.SIGKILL) // it may have ended by itself
	}
	require.NoError(s.t, syscall.Kill(postmaster, syscall.SIGKILL))
}

// postmaster is the process that all others of the server are children of.
func (s *server) postmaster() int {
	s.t.Helper()
	text, err := os.ReadFile(filepath.Join(s.folder, "data", "postmaster.pid"))
	require.NoError(s.t, err)
	first, _, _ := strings.Cut(string(text), "\n")
	pid, err := strconv.Atoi(first)
	require.NoError(s.t, err)
	return pid
}

// stopWriter halts the process that writes the server's log in the background, until the server is killed.
func (s *server) stopWriter() {
	s.t.Helper()
	for _, child := range childrenOf(s.t, s.postmaster()) {
		title, _ := os.ReadFile(fmt.Sprintf("/proc/%d/cmdline", child)) // empty of one that is gone
		if strings.Contains(string(title), "walwriter") {
			require.NoError(s.t, syscall.Kill(child, syscall.SIGSTOP))
			return
		}
	}
	require.FailNow(s.t, "no walwriter")
}

// childrenOf finds the children of a process in /proc.
func childrenOf(t testing.TB, parent int) []int {
	t.Helper()
	entries, err := os.ReadDir("/proc")
	require.NoError(t, err)
	var children []int
	for _, entry := range entries {
		pid, err := strconv.Atoi(entry.Name())
		if err != nil {
			continue
		}
		stat, err := os.ReadFile(fmt.Sprintf("/proc/%d/stat", pid))
		if err != nil {
			continue // gone meanwhile
		}
		// "pid (name) state ppid …"; the name may hold anything, a bracket too.
		fields := strings.Fields(string(stat[strings.LastIndexByte(string(stat), ')')+1:]))
		if len(fields) > 1 && fields[1] == strconv.Itoa(parent) {
			children = append(children, pid)
		}
	}
	return children
}
