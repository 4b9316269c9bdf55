package pgboot

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"log/slog"
	"os"
	"path/filepath"
	"runtime"
	"strconv"
	"strings"
	"syscall"
	"time"
)

const (
	// stopWait is what a server gets to end open sessions, and again to end at once.
	stopWait = 10 * time.Second
	// leftoverWait is what the processes of a killed server get to notice that it is gone; until then no new one can start.
	leftoverWait = 5 * time.Second
	// watchEvery is how often a server that is not our child is looked at.
	watchEvery = 100 * time.Millisecond
	// longestLog is where postgres.log is begun anew, at a start, with one older file kept.
	longestLog = 8 << 20
	// tail is how much of the log goes into an error.
	tail = 2 << 10
)

// process is a server: our child, or one that a crashed owner left running.
type process struct {
	pid   int
	admin *os.Process
	gone  chan struct{} // closed once it has ended
}

// spawn starts the server. The goroutine that starts it waits for it as well and keeps its thread, since Linux ends a throwaway
// server with the thread that started it.
func (s *Server) spawn(b binaries, log *os.File) (*process, error) {
	args := append([]string{"-D", s.home.data()}, s.settings()...)
	cmd := s.command(context.Background(), s.home.data(), b.postgres(), args...) // it ends by a signal of its own kind, never by a context
	cmd.Stdout, cmd.Stderr = log, log
	if s.cfg.Throwaway {
		dieWithParent(cmd.SysProcAttr)
	}
	p := &process{gone: make(chan struct{})}
	started := make(chan error)
	go func() {
		runtime.LockOSThread()
		err := cmd.Start()
		started <- err
		if err == nil {
			_ = cmd.Wait() // how it ended is in its log
			close(p.gone)
		}
	}()
	if err := <-started; err != nil {
		return nil, fmt.Errorf("postgres: start %s: %w", b.postgres(), err)
	}
	p.pid, p.admin = cmd.Process.Pid, cmd.Process
	return p, nil
}

// left is a server that runs but is not our child.
func left(pid int, data string) *process {
	p := &process{pid: pid, gone: make(chan struct{})}
	p.admin, _ = os.FindProcess(pid)
	go func() {
		defer close(p.gone)
		for tick := time.Tick(watchEvery); ; <-tick {
			if live, err := serves(pid, data); err == nil && !live {
				return
			}
		}
	}()
	return p
}

// stop ends the server in order, at once when told to hurry, and gives up on one that does not end even then.
func (p *process) stop(rush <-chan struct{}) error {
	for _, signal := range []syscall.Signal{syscall.SIGINT, syscall.SIGQUIT} {
		if err := p.admin.Signal(signal); err != nil && !errors.Is(err, os.ErrProcessDone) {
			return fmt.Errorf("postgres: stop the server, process %d: %w", p.pid, err)
		}
		select {
		case <-p.gone:
			return nil
		case <-rush:
			rush = nil
		case <-time.After(stopWait):
		}
	}
	return fmt.Errorf("postgres: the server, process %d, has not ended %v after it was told to end at once", p.pid, stopWait)
}

// state is what a server writes about itself into its postmaster.pid.
type state struct {
	pid       int
	port      int
	socketDir string
	ready     bool
}

// running reads the state and tells whether it is that of a server that lives.
func (h home) running() (st state, live bool, err error) {
	raw, err := os.ReadFile(h.stateFile())
	if errors.Is(err, fs.ErrNotExist) {
		return state{}, false, nil
	}
	if err != nil {
		return state{}, false, fmt.Errorf("postgres: is a server running: %w", err)
	}
	st = parseState(string(raw))
	if st.pid == 0 {
		return st, false, nil
	}
	live, err = serves(st.pid, h.data())
	if err != nil {
		return st, false, fmt.Errorf("postgres: cannot tell whether process %d, named in %s, is this folder's server: %w; "+
			"end that process if it is, remove that file if it is not, and start again", st.pid, h.stateFile(), err)
	}
	return st, live, nil
}

// parseState reads the lines by number: process, folder, time, port, socket folder, address, shared memory, status. A server that is
// just starting has not written all of them.
func parseState(raw string) state {
	lines := append(strings.Split(raw, "\n"), make([]string, 8)...)
	pid, _ := strconv.Atoi(strings.TrimSpace(lines[0]))
	port, _ := strconv.Atoi(strings.TrimSpace(lines[3]))
	return state{pid: pid, port: port, socketDir: strings.TrimSpace(lines[4]), ready: strings.TrimSpace(lines[7]) == "ready"}
}

// adopt takes over a server that a crashed owner left running, or gives nil where there is none.
func (s *Server) adopt(ctx context.Context) (*process, error) {
	p, st, err := s.leftover(ctx)
	if p == nil || err != nil {
		return nil, err
	}
	s.socketDir, s.port = st.socketDir, st.port
	s.log.InfoContext(ctx, "postgres: adopted the server that an earlier process left running", slog.String("data", s.home.path), slog.Int("server", p.pid))
	return p, nil
}

// leftover waits for a server that runs, though nobody owns it, to be ready or gone. A state file whose process is dead or another
// program by now is removed: a new server would refuse to start beside the second kind.
func (s *Server) leftover(ctx context.Context) (*process, state, error) {
	waiting := s.progress(guestEvery, "postgres: waiting for a server left by an earlier process")
	for {
		st, live, err := s.home.running()
		if err != nil {
			return nil, state{}, err
		}
		if !live {
			if err := os.Remove(s.home.stateFile()); err != nil && !errors.Is(err, fs.ErrNotExist) {
				return nil, state{}, fmt.Errorf("postgres: remove a dead server's state: %w", err)
			}
			return nil, state{}, nil
		}
		if st.ready && !s.home.names(st.socketDir) {
			return nil, state{}, fmt.Errorf("postgres: process %d serves %s and was started by other means: stop it first", st.pid, s.home.data())
		}
		if st.ready {
			p := left(st.pid, s.home.data())
			if _, err := os.Stat(filepath.Join(st.socketDir, ".s.PGSQL."+strconv.Itoa(st.port))); err == nil {
				return p, st, nil
			}
			if err := p.stop(nil); err != nil { // someone cleared its socket away: nobody can reach it
				return nil, state{}, err
			}
		}
		if err := waiting(ctx); err != nil {
			return nil, state{}, fmt.Errorf("postgres: the server left by an earlier process, %d, is neither ready nor gone: %w", st.pid, err)
		}
	}
}

// launch starts a server, in a new cluster if there is none, and waits until it takes connections.
func (s *Server) launch(ctx context.Context) (*process, error) {
	made, err := s.home.major()
	if err != nil {
		return nil, err
	}
	b, err := s.find(ctx, made)
	if err != nil {
		return nil, err
	}
	s.log.InfoContext(ctx, "postgres: starting a private server", slog.String("binaries", b.dir), slog.Int("version", b.major),
		slog.String("reason", b.reason), slog.String("data", s.home.path), slog.String("user", s.user.name), slog.Bool("new", made == 0))
	if made == 0 {
		err = s.makeCluster(ctx, b)
	} else {
		err = s.user.own(s.home.data())
	}
	if err != nil {
		return nil, err
	}
	for deadline := time.After(leftoverWait); ; {
		p, err := s.attempt(ctx, b)
		if !errors.Is(err, errLeftovers) {
			return p, err
		}
		select {
		case <-deadline:
			return nil, err
		case <-ctx.Done():
			return nil, err
		case <-time.After(watchEvery):
		}
	}
}

// errLeftovers says that processes of a killed server still hold its memory.
var errLeftovers = errors.New("processes of the last server have not ended yet")

func (s *Server) attempt(ctx context.Context, b binaries) (*process, error) {
	if err := s.makeSocketDir(); err != nil {
		return nil, err
	}
	log, err := s.openLog()
	if err != nil {
		return nil, err
	}
	defer log.Close()
	begin, err := log.Seek(0, io.SeekEnd)
	if err != nil {
		return nil, fmt.Errorf("postgres: its log: %w", err)
	}
	p, err := s.spawn(b, log)
	if err != nil {
		return nil, err
	}
	waiting := s.progress(pollEvery, "postgres: still starting; after a crash of the machine it first recovers")
	for {
		if st := s.home.stateOf(p.pid); st.ready {
			return p, nil
		}
		select {
		case <-p.gone:
			return nil, failed(log, begin)
		default:
		}
		if err := waiting(ctx); err != nil {
			return nil, errors.Join(fmt.Errorf("postgres: the server did not become ready: %w", err), p.stop(nil))
		}
	}
}

// stateOf is the state of that very process, empty while another's is there.
func (h home) stateOf(pid int) state {
	raw, err := os.ReadFile(h.stateFile())
	if err != nil {
		return state{}
	}
	if st := parseState(string(raw)); st.pid == pid {
		return st
	}
	return state{}
}

// openLog opens the server's log, which outlives us as the server may.
func (s *Server) openLog() (*os.File, error) {
	path := s.home.logFile()
	if info, err := os.Stat(path); err == nil && info.Size() > longestLog {
		if err := os.Rename(path, path+".old"); err != nil {
			return nil, fmt.Errorf("postgres: put its old log aside: %w", err)
		}
	}
	f, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE|os.O_APPEND, 0o600)
	if err != nil {
		return nil, fmt.Errorf("postgres: its log: %w", err)
	}
	return f, nil
}

// failed tells what the server wrote before it ended.
func failed(log *os.File, begin int64) error {
	said := make([]byte, tail)
	n, _ := log.ReadAt(said, begin)
	said = bytes.TrimSpace(said[:n])
	if bytes.Contains(said, []byte("still in use")) {
		return fmt.Errorf("postgres: %w: %s", errLeftovers, said)
	}
	return fmt.Errorf("postgres: the server ended while starting: %s", said)
}
