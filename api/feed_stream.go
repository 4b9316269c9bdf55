package api

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"slices"
	"time"
)

// streamRoutes are the routes that answer with a stream: it has no end by itself, and no entity tag.
var streamRoutes = map[string]bool{"/v1/feed": true, "/v1/board/stream": true}

// Streams says how streams are kept open. The zero of a field is DefaultStreams'.
type Streams struct {
	Heartbeat time.Duration // between two signs of life, which proxies and callers wait for
	KeyCheck  time.Duration // between two looks at whether the caller's key is still in force
	Poll      time.Duration // between two looks at whether another process has written
	PerKey    int           // streams that one key may hold open
	InAll     int           // streams that the process holds open
}

// DefaultStreams are for a shop with a tablet at every counter: a browser opens one stream a tab, and all tablets may
// use one key. A stream is a goroutine and a few kilobytes.
var DefaultStreams = Streams{Heartbeat: 15 * time.Second, KeyCheck: 5 * time.Second, Poll: 200 * time.Millisecond, PerKey: 32, InAll: 512}

func (s Streams) orDefault() Streams {
	orDefault(&s.Heartbeat, DefaultStreams.Heartbeat)
	orDefault(&s.KeyCheck, DefaultStreams.KeyCheck)
	orDefault(&s.Poll, DefaultStreams.Poll)
	orDefault(&s.PerKey, DefaultStreams.PerKey)
	orDefault(&s.InAll, DefaultStreams.InAll)
	return s
}

func orDefault[T comparable](value *T, byDefault T) {
	var zero T
	if *value == zero {
		*value = byDefault
	}
}

const (
	// writeWait is how long a caller may take to read a chunk. It is shorter than what a process that is told to stop
	// gives its requests.
	writeWait = 5 * time.Second
	chunk     = 16 << 10 // bytes: over a bad line 4 kB a second will do
	// retryWait is what a browser waits before it opens a stream anew.
	retryWait = 2 * time.Second
	// keyCheckWait and keyCheckTries bound how long a stream outlives a key that cannot be looked up because the
	// database is away: with a look every 5 seconds, 24 seconds.
	keyCheckWait  = 3 * time.Second
	keyCheckTries = 3
	// quietMost is how many events may pass that a view does not see before the stream tells where it is, so that one
	// that goes on need not read them again.
	quietMost = 500
)

// A view is what one stream shows of the messages.
type view interface {
	// event gives the name and the data of the message of an event; no data: it is not told.
	event(m *message) (name string, data []byte, err error)
	sees(t touch) bool
}

// A stream is an answer that goes on: messages as server-sent events, as long as its caller stays, its key is in force
// and the process runs.
type stream struct {
	of      *streams
	ctx     context.Context // ends when the caller leaves
	key     string          // whose streams are counted together
	inForce func(ctx context.Context) error
	mark    Mark // of the book when the stream was asked for
	view    view
	start

	watch  *watch
	joined int // number that the watch's next message had then: earlier ticks were before this stream's time
	seen   int // number of the watch's message to go on with
	quiet  int // events passed over since the last id
	frame  []byte
}

// stream makes the stream of the call that a context belongs to.
func (s *streams) stream(ctx context.Context, from start, v view) *stream {
	k := callOf(ctx)
	return &stream{of: s, ctx: k.whole, key: k.actor.ID, inForce: k.inForce, mark: k.mark, view: v, start: from}
}

// serve answers with the stream until it ends.
func (s *stream) serve(w http.ResponseWriter) error {
	watch, err := s.of.join(s.key, s.mark)
	if err != nil {
		return err
	}
	defer s.of.leave(s.key, watch)
	s.watch, s.joined = watch, watch.next()
	out, err := newWire(w)
	if err != nil {
		return err
	}
	header := w.Header()
	header.Set("Content-Type", "text/event-stream")
	header.Set("X-Accel-Buffering", "no") // a proxy in front would gather messages before it hands them on
	w.WriteHeader(http.StatusOK)
	if out.write(s.opening()) != nil {
		return nil // the caller has left
	}
	out.flush()
	return s.run(out)
}

// opening is a block without data, which a browser does not tell its page. It carries the id of a stream that starts
// at now: should it break off before its first event, it goes on from here.
func (s *stream) opening() []byte {
	block := fmt.Appendf(nil, "retry: %d\n", retryWait.Milliseconds())
	if s.now {
		block = fmt.Appendf(block, "id: %s\n", messageID(s.mark.Epoch, s.after))
	}
	return append(block, '\n')
}

var heartbeat = []byte(":\n\n")

func (s *stream) run(out *wire) error {
	beat, check := time.NewTicker(s.of.settings.Heartbeat), time.NewTicker(s.of.settings.KeyCheck)
	defer beat.Stop()
	defer check.Stop()
	unknown := 0 // times on end that the key could not be looked up
	for {
		more, err := s.tell(out)
		if err != nil {
			return s.ended(err)
		}
		select {
		case <-more:
		case <-beat.C:
			if out.write(heartbeat) != nil {
				return nil
			}
			out.flush()
		case <-check.C:
			if unknown, err = s.check(unknown); err != nil {
				return nil
			}
		case <-s.watch.over:
			return nil
		case <-s.of.stop:
			return nil
		case <-s.ctx.Done():
			return nil
		}
	}
}

// check looks whether the key is still in force; an error says that it is not, or that nobody could say for too long.
func (s *stream) check(unknown int) (int, error) {
	ctx, cancel := context.WithTimeout(s.ctx, keyCheckWait)
	defer cancel()
	err := s.inForce(ctx)
	switch {
	case err == nil:
		return 0, nil
	case !errors.Is(err, ErrNoKey) && unknown+1 < keyCheckTries:
		return unknown + 1, nil
	}
	return 0, err
}

// tell writes the next messages. more is closed when there are others, which may be at once.
func (s *stream) tell(out *wire) (more <-chan struct{}, err error) {
	batch, next, more, behind := s.watch.from(s.seen, s.after, s.joined)
	if behind {
		if batch, err = s.catchUp(); err != nil {
			return nil, err
		}
		more = ready
	}
	for _, m := range batch {
		if err := s.render(m); err != nil {
			return nil, err
		}
		if len(s.frame) == 0 {
			continue
		}
		if err := out.write(s.frame); err != nil {
			return nil, fmt.Errorf("%w: %w", errGone, err)
		}
	}
	s.seen = next
	if len(batch) > 0 {
		out.flush()
	}
	return more, nil
}

// catchUp reads from the log what the watch no longer has.
func (s *stream) catchUp() ([]*message, error) {
	ctx, cancel := context.WithTimeout(s.ctx, maxWait)
	defer cancel()
	return readMessages(ctx, s.of.pool, s.watch.definitions(), s.after)
}

// render writes a message's block into the frame, empty if the view does not see it.
func (s *stream) render(m *message) error {
	s.frame = s.frame[:0]
	if m.tick != nil {
		data, err := m.tick.told(s.view)
		if data != nil {
			s.frame = fmt.Appendf(s.frame, "event: tick\ndata: %s\n\n", data)
		}
		return err
	}
	s.after = m.position
	name, data, err := s.view.event(m)
	if err != nil {
		return err
	}
	if data == nil {
		if s.quiet++; s.quiet < quietMost {
			return nil
		}
	}
	s.quiet = 0
	s.frame = fmt.Appendf(s.frame, "id: %s\n", messageID(s.mark.Epoch, m.position))
	if name != "" {
		s.frame = fmt.Appendf(s.frame, "event: %s\n", name)
	}
	if data != nil {
		s.frame = fmt.Appendf(s.frame, "data: %s\n", data)
	}
	s.frame = append(s.frame, '\n')
	return nil
}

// ended says how a stream ended that could not go on: a caller that left, or hears us no more, is no fault.
func (s *stream) ended(err error) error {
	if errors.Is(err, errGone) || s.ctx.Err() != nil {
		return nil
	}
	return fmt.Errorf("stream after %d: %w", s.after, err)
}

// errGone says that the caller does not read.
var errGone = errors.New("the caller does not read")

// A wire writes to a caller that may read slowly or not at all. Every chunk has its time: it ends by a timer, because
// a deadline would be by the clock on the wall, which may be set.
type wire struct {
	to       http.ResponseWriter
	control  *http.ResponseController
	patience *time.Timer
}

// newWire takes the server's limits on time off the connection, which are those of an answer that ends.
func newWire(w http.ResponseWriter) (*wire, error) {
	o := &wire{to: w, control: http.NewResponseController(w)}
	if err := o.control.SetReadDeadline(time.Time{}); err != nil {
		return nil, fmt.Errorf("open a stream: %w", err)
	}
	if err := o.control.SetWriteDeadline(time.Time{}); err != nil {
		return nil, fmt.Errorf("open a stream: %w", err)
	}
	o.patience = time.AfterFunc(writeWait, func() { _ = o.control.SetWriteDeadline(time.Unix(1, 0)) }) // a connection that is gone needs none
	o.patience.Stop()
	return o, nil
}

// write sends a frame, part of which may wait for flush.
func (o *wire) write(frame []byte) error {
	defer o.patience.Stop()
	for part := range slices.Chunk(frame, chunk) {
		o.patience.Reset(writeWait)
		if _, err := o.to.Write(part); err != nil {
			return err
		}
	}
	return nil
}

// flush sends what waits. What goes wrong with it, the next write tells, and the caller's context ends.
func (o *wire) flush() {
	o.patience.Reset(writeWait)
	defer o.patience.Stop()
	_ = o.control.Flush()
}
