// Package book carries out commands: it gathers those that wait, decides and writes each group of them in one
// transaction, and gives one answer per idempotency key, for ever.
//
// It knows neither what a command does (package workshop decides) nor how its answer looks (the caller renders it).
package book

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"runtime/debug"
	"sync"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5/pgxpool"

	"firstout/internal/events"
	"firstout/internal/events/eventlog"
	"firstout/internal/workshop"
)

var (
	// ErrKeyReused says that the idempotency key was used before with another request.
	ErrKeyReused = errors.New("this idempotency key was used for another request")
	// ErrUnavailable says that the database is out of reach, too busy, or closing. Whether the command was written is
	// not known; asked again with the same key it is carried out once.
	ErrUnavailable = errors.New("the book cannot be written at the moment")
)

// Request is a command with what is needed to carry it out once.
type Request struct {
	Command     workshop.Command
	Key         string   // idempotency key; empty for a definition, which is the same however often it is put
	RequestHash [32]byte // of method, route and body: tells a retry from a key used twice
	Actor       workshop.Actor
	// Render turns the decision's answer into the response that the key gets for ever. It runs before the events are
	// written, while other commands wait: it does no I/O. An error, or a panic, is a fault and nothing is written.
	Render func(answer any, recorded []events.Recorded) (status int, body []byte, err error)
}

// Answer is the response to a command.
type Answer struct {
	Status   int
	Body     []byte    // UTF-8; not to be changed
	Replayed bool      // the key was answered before: this is that answer
	Position int64     // of the command's first event; 0: it recorded none
	Command  uuid.UUID // id of that event
}

// Options are what a Book needs beside its database.
type Options struct {
	Clock    func() time.Time // the clock on the wall; required
	Manual   bool             // the book's time stands still where SetClock put it; demo and test books only
	Patience time.Duration    // how long a writer may stand still; zero: eventlog.Patience
	Log      *slog.Logger     // nil: nothing is logged

	Committed func(Group) // nil: nobody counts; called by the one who commits, while others wait
}

// Group is what is told of commands that were committed together.
type Group struct {
	Commands int // refused ones among them
	Events   int
	Took     time.Duration // to decide, write and commit, by Options.Clock
}

const (
	// queueLength bounds the commands that wait: four full groups, a second's work of a slow machine. Who comes to a
	// full queue is better told to come back.
	queueLength = 1024
	// groupSize bounds a group, and with it how long the head is held.
	groupSize = 256
)

// Book carries out commands. One Book, with its one committer, serves a process; several processes may share a
// database.
type Book struct {
	pool    *pgxpool.Pool
	options Options
	bell    *bell
	vitals  *vitals

	queue   chan *waiting
	closing sync.RWMutex // held to close the queue, and for reading to put something into it
	closed  bool
	drained chan struct{} // closed when the committer has ended
}

// Open starts a book over a database that is migrated and marked. On the manual clock its time starts at the clock's,
// the first time; a real book refuses it.
func Open(ctx context.Context, pool *pgxpool.Pool, options Options) (*Book, error) {
	longPatience := options.Patience
	if options.Patience == 0 {
		options.Patience, longPatience = eventlog.Patience, eventlog.LongPatience
	}
	if options.Committed == nil {
		options.Committed = func(Group) {}
	}
	if options.Log == nil {
		options.Log = slog.New(slog.DiscardHandler)
	}
	b := &Book{pool: pool, options: options, bell: &bell{}, vitals: &vitals{}, queue: make(chan *waiting, queueLength), drained: make(chan struct{})}
	head, err := eventlog.ReadHead(ctx, pool)
	if err != nil {
		return nil, fmt.Errorf("open the book: %w", err)
	}
	if options.Manual {
		if err := b.startManualClock(ctx, head); err != nil {
			return nil, err
		}
	}
	c := &committer{
		pool: pool, patience: options.Patience, longPatience: longPatience, now: b.Now, log: options.Log, bell: b.bell, vitals: b.vitals,
		wall: options.Clock, committed: options.Committed, definitionsAt: -1,
	}
	go func() {
		defer close(b.drained)
		c.run(b.queue)
	}()
	return b, nil
}

// Do carries out a command and gives its answer once it is committed. The error is a *workshop.Refusal (nothing was
// recorded, and the key may be used again), ErrKeyReused, ErrUnavailable, or a fault of ours. A caller that leaves
// before its command is decided is skipped; one that leaves later has its command carried out all the same.
func (b *Book) Do(ctx context.Context, r Request) (Answer, error) {
	w, err := newWaiting(ctx, r)
	if err != nil {
		return Answer{}, err
	}
	if err := b.enqueue(w); err != nil {
		return Answer{}, err
	}
	select {
	case done := <-w.done:
		return done.answer, done.err
	case <-ctx.Done():
		return Answer{}, left(ctx)
	}
}

// Close takes no more commands, carries out those that wait and ends the committer.
func (b *Book) Close() {
	b.closing.Lock()
	if !b.closed {
		b.closed = true
		close(b.queue)
	}
	b.closing.Unlock()
	<-b.drained
}

func (b *Book) enqueue(w *waiting) error {
	b.closing.RLock()
	defer b.closing.RUnlock()
	if b.closed {
		return fmt.Errorf("%w: it is being closed", ErrUnavailable)
	}
	select {
	case b.queue <- w:
		return nil
	default:
		return fmt.Errorf("%w: %d commands are waiting", ErrUnavailable, queueLength)
	}
}

// waiting is a request on its way through the committer.
type waiting struct {
	Request
	ctx   context.Context // the caller's: only whether it has left is asked
	needs []workshop.Need
	alone bool
	done  chan result // takes one result, so that nobody waits for a caller that has left
}

type result struct {
	answer Answer
	err    error
}

// newWaiting asks the command what it needs, here at the caller's so that the committer need not.
func newWaiting(ctx context.Context, r Request) (w *waiting, err error) {
	defer recovered(&err)
	w = &waiting{Request: r, ctx: ctx, needs: r.Command.Needs(), done: make(chan result, 1)}
	if command, says := r.Command.(interface{ Alone() bool }); says {
		// A command that must look wider than the others holds the head for longer and is not put into their group.
		w.alone = command.Alone()
	}
	return w, nil
}

// left is the error of a caller that did not wait for its answer.
func left(ctx context.Context) error {
	return fmt.Errorf("%w: the caller left: %w", ErrUnavailable, context.Cause(ctx))
}

// recovered turns a panic into an error, so that a mistake in one command is the fault of that command only.
func recovered(err *error) {
	if thrown := recover(); thrown != nil {
		*err = panicked(thrown)
	}
}

func panicked(thrown any) error { return fmt.Errorf("panic: %v\n%s", thrown, debug.Stack()) }
