package reliability_test

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"io"
	"os"
	"os/exec"
	"runtime"
	"strings"
	"sync"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// hangs is a wait that only a test that has gone wrong comes to the end of.
const hangs = 90 * time.Second

// address is where a book's database is, for the two roles.
type address struct{ app, owner string }

func (a address) environ() []string {
	return []string{
		"PATH=" + os.Getenv("PATH"), "HOME=" + os.Getenv("HOME"), "TMPDIR=" + os.TempDir(), "FIRSTOUT_ADDR=127.0.0.1:0", "FIRSTOUT_RATE=1000000",
		"DATABASE_URL=" + a.app, "DATABASE_MIGRATE_URL=" + a.owner,
	}
}

// A process is one firstout serve, a child of this test that does not outlive it, however the test ends. It can be killed and started again, at another port each time.
type process struct {
	t       testing.TB
	environ []string
	base    atomic.Pointer[string] // where it serves, or served last

	mu     sync.Mutex
	child  *exec.Cmd
	ended  chan struct{} // closed when the child has ended and said all it had to say
	faults []string      // what it logged as an error
}

// serve starts a process and waits until it serves. At the end of the test it is stopped, and must not have died by itself.
func serve(t testing.TB, at address) *process {
	t.Helper()
	p := &process{t: t, environ: at.environ()}
	p.start()
	t.Cleanup(func() {
		if t.Failed() {
			t.Logf("the process said:\n%s", strings.Join(p.errors(), "\n"))
		}
		p.mu.Lock()
		child, ended := p.child, p.ended
		p.mu.Unlock()
		_ = child.Process.Signal(syscall.SIGTERM)
		select {
		case <-ended:
		case <-time.After(hangs):
			_ = child.Process.Kill()
			t.Errorf("the process did not end when it was told to")
		}
	})
	return p
}

// start starts the child and waits until it serves.
func (p *process) start() {
	p.t.Helper()
	child := exec.CommandContext(context.WithoutCancel(p.t.Context()), program, "serve", "--book", "test") // it ends by a signal of the test's
	child.Env = p.environ
	out, err := child.StdoutPipe()
	require.NoError(p.t, err)
	child.Stderr = child.Stdout
	child.SysProcAttr = endsWithUs()
	started, serving, ended := make(chan error), make(chan string, 1), make(chan struct{})
	go func() {
		defer close(ended)
		runtime.LockOSThread() // and never let go: the thread ends with this, and a child that still ran with the thread
		err := child.Start()
		started <- err
		if err == nil {
			p.listen(out, serving)
			_ = child.Wait() // it may have been killed
		}
	}()
	require.NoError(p.t, <-started)
	p.mu.Lock()
	p.child, p.ended = child, ended
	p.mu.Unlock()
	select {
	case at := <-serving:
		base := "http://" + at
		p.base.Store(&base)
	case <-ended:
		require.FailNow(p.t, "the process ended before it served", strings.Join(p.errors(), "\n"))
	case <-time.After(hangs):
		require.FailNow(p.t, "the process does not serve")
	}
}

// listen reads what the child says: the address, and errors.
func (p *process) listen(out io.Reader, serving chan<- string) {
	lines := bufio.NewScanner(out)
	lines.Buffer(nil, 1<<20)
	for lines.Scan() {
		var line struct {
			Level   string `json:"level"`
			Msg     string `json:"msg"`
			Address string `json:"address"`
		}
		switch err := json.Unmarshal(lines.Bytes(), &line); {
		case err != nil, line.Level == "ERROR":
			p.mu.Lock()
			p.faults = append(p.faults, string(bytes.Clone(lines.Bytes())))
			p.mu.Unlock()
		case line.Msg == "serving":
			serving <- line.Address
		}
	}
}

// errors are what the process has logged as errors, in all its lives.
func (p *process) errors() []string {
	p.mu.Lock()
	defer p.mu.Unlock()
	return append([]string(nil), p.faults...)
}

// kill ends the child as a loss of power would, and waits until it is gone.
func (p *process) kill() {
	p.mu.Lock()
	child, ended := p.child, p.ended
	p.mu.Unlock()
	require.NoError(p.t, child.Process.Kill())
	<-ended
}

// command runs one of the program's other subcommands to its end and gives what it said.
func command(ctx context.Context, at address, args ...string) (string, error) {
	child := exec.CommandContext(ctx, program, args...)
	child.Env = at.environ()
	said, err := child.CombinedOutput()
	return string(said), err
}

// newKey makes a key by the command line.
func newKey(t testing.TB, at address, name string, roles ...string) string {
	t.Helper()
	args := []string{"keys", "create", "--name", name}
	for _, role := range roles {
		args = append(args, "--role", role)
	}
	said, err := command(t.Context(), at, args...)
	require.NoError(t, err, said)
	lines := strings.Split(strings.TrimSpace(said), "\n")
	return lines[len(lines)-1]
}
