package api

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"slices"
	"strconv"
	"sync"
	"time"

	"firstout/internal/projections"
	"firstout/internal/workshop"
)

// How a process learns of what others write: one goroutine, while any stream is open, reads where the head is, five
// times a second and whenever this process has written. NOTIFY would tell sooner what another process wrote, but takes
// a lock of the whole cluster at every commit, which all writers would pay for; a fifth of a second nobody at a counter
// sees. A look is one query, however many streams there are.

// lookPause lies between two looks, so that a busy committer does not bring about a look a commit.
const lookPause = 20 * time.Millisecond

// What a watch remembers for its streams. One that is further behind reads the log itself.
const (
	keptMessages = 1024
	keptBytes    = 8 << 20
	tellAtOnce   = 100 // messages that a stream takes at once
)

// ready is a channel to wait on without waiting.
var ready = func() chan struct{} {
	c := make(chan struct{})
	close(c)
	return c
}()

// streams are those that a process has open. The first starts a watch over the log, the last ends it.
type streams struct {
	settings Streams
	state    *State
	pool     projections.Querier
	changed  func() <-chan struct{} // closed once this process has written
	stop     <-chan struct{}        // closed when the process is to stop
	log      *slog.Logger

	mu    sync.Mutex
	open  map[string]int // by key
	inAll int
	watch *watch // nil: none is running
}

// join counts a stream of a key and gives the watch that it listens to.
func (s *streams) join(key string, mark Mark) (*watch, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	switch {
	case s.open[key] >= s.settings.PerKey:
		return nil, tooManyStreams("This key holds " + strconv.Itoa(s.settings.PerKey) + " streams open, and may not hold more: close one first.")
	case s.inAll >= s.settings.InAll:
		return nil, tooManyStreams("As many streams are open as there may be: wait as many seconds as Retry-After says, then try again.")
	}
	if s.watch == nil {
		s.watch = s.start(mark)
	}
	s.open[key]++
	s.inAll++
	s.watch.users++
	return s.watch, nil
}

// leave is called once for each stream that joined.
func (s *streams) leave(key string, w *watch) {
	s.mu.Lock()
	s.inAll--
	if s.open[key]--; s.open[key] == 0 {
		delete(s.open, key)
	}
	w.users--
	last := w.users == 0
	if last && s.watch == w {
		s.watch = nil
	}
	s.mu.Unlock()
	if last {
		w.cancel()
		<-w.over
	}
}

// forget lets the next stream start a watch of its own.
func (s *streams) forget(w *watch) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.watch == w {
		s.watch = nil
	}
}

// start watches the log from where it stood for the first stream.
func (s *streams) start(mark Mark) *watch {
	ctx, cancel := context.WithCancel(context.Background())
	w := &watch{
		of: s, cancel: cancel, over: make(chan struct{}), mark: mark, dueAt: mark,
		floor: mark.Position, changed: make(chan struct{}), defs: mark.moment.defs,
	}
	go func() {
		defer close(w.over)
		w.run(ctx)
	}()
	return w
}

// A watch learns of what is new and keeps the newest of it for its streams. It never waits for one.
type watch struct {
	of     *streams
	users  int // streams; under the lock of streams
	cancel context.CancelFunc
	over   chan struct{} // closed when it has ended

	mark  Mark // what has been told of: events up to its position, instants up to its moment
	dueAt Mark // when what falls due next was looked up

	mu       sync.Mutex
	messages []*message
	first    int   // number of messages[0]; counts on when messages are forgotten
	bytes    int   // of the events in messages
	floor    int64 // events up to here are not in messages
	changed  chan struct{}
	defs     *workshop.Definitions
}

// lookTries is how many looks on end may fail before the streams are closed: 20 seconds of a database that is away.
// Until then they stand still, because a browser that comes back to a 503 does not come back again.
const lookTries = 100

func (w *watch) run(ctx context.Context) {
	failed := 0
	for {
		changed := w.of.changed() // asked for before the look, so that nothing comes in between
		err := w.look(ctx)
		switch {
		case ctx.Err() != nil:
			return
		case err == nil:
			failed = 0
		case errors.Is(err, errPutBack), failed == lookTries:
			w.of.log.ErrorContext(ctx, "the streams are closed", slog.Any("error", err))
			w.of.forget(w)
			return
		default:
			if failed++; failed == 1 {
				w.of.log.WarnContext(ctx, "the streams stand still", slog.Any("error", err))
			}
		}
		if !wait(ctx, nil, lookPause) || !wait(ctx, changed, w.of.settings.Poll) {
			return
		}
	}
}

// wait waits for a channel, but not for longer than that; false: the context has ended.
func wait(ctx context.Context, signal <-chan struct{}, most time.Duration) bool {
	timer := time.NewTimer(most)
	defer timer.Stop()
	select {
	case <-signal:
	case <-timer.C:
	case <-ctx.Done():
		return false
	}
	return true
}

// errPutBack says that the log is not the one that was read before.
var errPutBack = errors.New("the book was put back to an earlier state, or exchanged")

// look finds what is new, events before instants that fell due.
func (w *watch) look(ctx context.Context) error {
	ctx, cancel := context.WithTimeout(ctx, maxWait)
	defer cancel()
	mark, err := w.of.state.Mark(ctx)
	if err != nil {
		return fmt.Errorf("look for what is new: %w", err)
	}
	if mark.Epoch != w.mark.Epoch || mark.Position < w.mark.Position {
		return errPutBack
	}
	defs := mark.moment.defs
	for w.mark.Position < mark.Position {
		found, err := readMessages(ctx, w.of.pool, defs, w.mark.Position)
		if err != nil {
			return err
		}
		if len(found) == 0 {
			return fmt.Errorf("the head is at %d, but the log ends at %d", mark.Position, w.mark.Position)
		}
		w.add(defs, found)
		w.mark.Position = found[len(found)-1].position
	}
	return w.lookForDue(ctx, mark)
}

// lookForDue finds what fell due since the last time. Nothing can have while the book stands where it stood and the
// next date is still to come, and no day has begun.
func (w *watch) lookForDue(ctx context.Context, mark Mark) error {
	before, now := w.mark.moment.now, mark.moment.now
	if !now.After(before) {
		return nil
	}
	same := mark.Position == w.dueAt.Position && slices.Equal(mark.Today, w.dueAt.Today) && mark.NextDue.Equal(w.dueAt.NextDue)
	if !same {
		ticks, err := readTicks(ctx, w.of.pool, mark.moment.defs, before, now)
		if err != nil {
			return err
		}
		w.add(mark.moment.defs, ticks)
	}
	w.mark.moment, w.dueAt = mark.moment, mark
	return nil
}

// add keeps messages and wakes the streams.
func (w *watch) add(defs *workshop.Definitions, messages []*message) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.defs = defs
	if len(messages) == 0 {
		return
	}
	for _, m := range messages {
		w.bytes += len(m.event)
	}
	w.messages = append(w.messages, messages...)
	forgotten := 0
	for w.bytes > keptBytes || len(w.messages)-forgotten > keptMessages {
		m := w.messages[forgotten]
		w.bytes -= len(m.event)
		w.floor = max(w.floor, m.position)
		forgotten++
	}
	w.messages = slices.Delete(w.messages, 0, forgotten)
	w.first += forgotten
	close(w.changed)
	w.changed = make(chan struct{})
}

// next is the number of the next message.
func (w *watch) next() int {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.first + len(w.messages)
}

// definitions is the catalogue as of the last look.
func (w *watch) definitions() *workshop.Definitions {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.defs
}

// from gives the messages with a number and later ones: events after a position, and ticks from the number joined on.
// next is the number to go on with, and more is closed when there are others. behind: the events after that position
// are not all kept.
func (w *watch) from(number int, after int64, joined int) (batch []*message, next int, more <-chan struct{}, behind bool) {
	w.mu.Lock()
	defer w.mu.Unlock()
	if after < w.floor {
		return nil, number, nil, true
	}
	next = max(number, w.first)
	for _, m := range w.messages[next-w.first:] {
		if len(batch) == tellAtOnce {
			return batch, next, ready, false
		}
		if m.position > after || m.tick != nil && next >= joined {
			batch = append(batch, m)
		}
		next++
	}
	return batch, next, w.changed, false
}

// tooManyStreams is the problem of who wants one more.
func tooManyStreams(detail string) *problem {
	return &problem{slug: slugTooManyRequests, detail: detail, header: map[string]string{"Retry-After": "10"}}
}
