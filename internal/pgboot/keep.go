package pgboot

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"time"
)

const (
	// shortestPause is waited before a server that died is started again, and doubled while it does not stay up. The
	// longest is short: whoever made room on a full disk waits for the server that could not start there.
	shortestPause = 100 * time.Millisecond
	longestPause  = 2 * time.Second
	// steadyAfter is how long a server has to stay up for its next end to count as its first.
	steadyAfter = 10 * time.Second
)

// keep holds the server up until it is told to end, and then ends it. It alone deals with the process after the start.
func (s *Server) keep(ctx context.Context, p *process) {
	defer close(s.gone)
	pause, steady := shortestPause, time.After(steadyAfter)
	for p != nil {
		select {
		case <-ctx.Done():
			s.err = errors.Join(p.stop(s.rush), s.tidy())
			return
		case <-steady:
			pause = shortestPause
		case <-p.gone:
			s.log.ErrorContext(ctx, "postgres: the server ended unexpectedly and is started again", slog.Int("server", p.pid), slog.String("log", s.home.logFile()))
			p, pause = s.again(ctx, pause)
			steady = time.After(steadyAfter)
		}
	}
	s.err = s.tidy()
}

// again launches until a server is up, or gives nil when told to end. It gives the pause before the next launch, should that one be
// needed soon.
func (s *Server) again(ctx context.Context, pause time.Duration) (*process, time.Duration) {
	for {
		select {
		case <-ctx.Done():
			return nil, pause
		case <-time.After(pause):
		}
		pause = min(2*pause, longestPause)
		p, err := s.relaunch(ctx)
		if err == nil {
			return p, pause
		}
		s.log.ErrorContext(ctx, "postgres: the server could not be started again; trying once more", slog.Any("error", err), slog.Duration("pause", pause))
	}
}

// relaunch starts the server with the socket and port it had, so that addresses given out stay good.
func (s *Server) relaunch(ctx context.Context) (*process, error) {
	p, st, err := s.leftover(ctx)
	if err != nil {
		return nil, err
	}
	if p != nil && (st.socketDir != s.socketDir || st.port != s.port) {
		return nil, fmt.Errorf("postgres: process %d serves %s in another way: stop it first", p.pid, s.home.data())
	}
	if p != nil {
		return p, nil
	}
	return s.launch(ctx)
}

// tidy gives back what only a running server needs.
func (s *Server) tidy() error {
	if err := errors.Join(os.RemoveAll(s.socketDir), s.lock.Close()); err != nil {
		return fmt.Errorf("postgres: tidy up after the server: %w", err)
	}
	return nil
}
