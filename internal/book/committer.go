package book

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgxpool"

	"firstout/internal/events/eventlog"
	"firstout/internal/workshop"
)

// attempts bounds how often one group is tried: the first time, and again after a lost connection, a deadlock or a
// commit that turned out not to have happened.
const attempts = 4

// A committer is the one goroutine of a process that writes: it takes the commands that gathered while the last group
// was committed, and commits them together. Nothing in it is shared.
type committer struct {
	pool         *pgxpool.Pool
	patience     time.Duration
	longPatience time.Duration
	now          func(eventlog.Head) time.Time
	log          *slog.Logger
	bell         *bell
	vitals       *vitals

	wall      func() time.Time
	committed func(Group)

	conn *pgx.Conn // its own; nil: connect anew

	// The catalogue as of definitionsAt, good while the head says the same.
	definitions   *workshop.Definitions
	definitionsAt int64
}

// run carries out groups until the queue is closed and empty.
func (c *committer) run(queue <-chan *waiting) {
	gathering := gathering{queue: queue}
	for {
		group, more := gathering.next()
		if len(group) > 0 {
			c.vitals.begin(c.wall())
			results := c.settle(group)
			c.vitals.end()
			gathering.settled(len(group))
			for i, r := range results {
				group[i].done <- r
			}
		}
		if !more {
			c.disconnect()
			return
		}
	}
}

// linger is how long the committer waits for the next command while fewer wait than are expected: callers that were
// answered together come back together. Without it they fall into two halves, each of which waits for the other's
// commit; with it, 2 to 8 callers over HTTP get half as much again. It is short beside a commit to a disk, and one
// caller alone never waits.
const linger = 300 * time.Microsecond

// gathering makes groups of what waits, in its order.
type gathering struct {
	queue    <-chan *waiting
	held     *waiting // taken out of the queue, but to be in a group of its own
	expected int      // how many will wait once those answered last are back
}

// settled notes that a group is about to be answered.
func (g *gathering) settled(commands int) { g.expected = len(g.queue) + commands }

// next waits for a command and takes what else is waiting by then; more is false when no other can come.
func (g *gathering) next() (group []*waiting, more bool) {
	first := g.held
	g.held = nil
	if first == nil {
		if first, more = <-g.queue; !more {
			return nil, false
		}
	}
	group = stillThere(nil, first)
	if first.alone {
		return group, true
	}
	patience := time.NewTimer(linger)
	defer patience.Stop()
	for len(group) < groupSize {
		w, open := g.another(len(group) < g.expected, patience.C)
		switch {
		case w == nil:
			return group, open
		case w.alone:
			g.held = w
			return group, true
		}
		group = stillThere(group, w)
		patience.Reset(linger)
	}
	return group, true
}

// another takes one more out of the queue, nil if there is none; open is false when none can come any more.
func (g *gathering) another(wait bool, patience <-chan time.Time) (w *waiting, open bool) {
	select {
	case w, open = <-g.queue:
		return w, open
	default:
	}
	if !wait {
		return nil, true
	}
	select {
	case w, open = <-g.queue:
		return w, open
	case <-patience:
		return nil, true
	}
}

// stillThere adds a command to a group unless its caller has left.
func stillThere(group []*waiting, w *waiting) []*waiting {
	if w.ctx.Err() != nil {
		w.done <- result{err: left(w.ctx)}
		return group
	}
	return append(group, w)
}

// settle carries out a group and gives the result of each. What fails for a reason that may pass is tried again as a
// group; what fails otherwise, one by one, so that the one at fault fails alone.
func (c *committer) settle(group []*waiting) []result {
	var err error
	for range attempts {
		var d *draft
		began := c.wall()
		d, err = c.attempt(group)
		if errors.Is(err, errCommitUnknown) {
			var committed bool
			if committed, err = c.wasCommitted(d); committed {
				err = nil
			} else if err == nil {
				err = errNotCommitted
			}
		}
		if err == nil {
			if !d.isEmpty() {
				c.vitals.wrote(nil)
				c.bell.ring()
				c.committed(Group{Commands: len(group), Events: len(d.recorded), Took: c.wall().Sub(began)})
			}
			return d.results
		}
		if fateOf(err) != mayPass {
			break
		}
	}
	c.vitals.wrote(err)
	fate, lost := fateOf(err), new(lostError)
	switch {
	case fate == away, errors.As(err, &lost), fate == mayPass && len(group) == 1:
		return same(group, fmt.Errorf("%w: %w", ErrUnavailable, err))
	case len(group) == 1:
		return same(group, fmt.Errorf("carry out %T: %w", group[0].Command, err))
	}
	c.log.Warn("a group of commands is carried out one by one", slog.Int("commands", len(group)), slog.Any("error", err))
	results := make([]result, 0, len(group))
	for i := range group {
		results = append(results, c.settle(group[i:i+1])...)
	}
	return results
}

// same gives everyone of a group the same error.
func same(group []*waiting, err error) []result {
	results := make([]result, len(group))
	for i := range results {
		results[i].err = err
	}
	return results
}

// attempt carries out a group in one transaction. Its draft says what was decided; with errCommitUnknown nobody knows
// yet whether that was written.
func (c *committer) attempt(group []*waiting) (d *draft, err error) {
	// The callers' contexts do not reach this far: what many wait for is not ended by one that left. The server's own
	// limits end it, or the limit of each trip, where the server cannot be heard any more.
	ctx, cancel := context.WithTimeout(context.Background(), 3*c.patienceWith(group))
	defer cancel()
	defer func() {
		if err != nil {
			c.rollBack(ctx)
		}
	}()
	defer c.closeAfterPanic(&err)
	if err := c.connect(ctx); err != nil {
		return nil, err
	}
	if d, err = c.begin(ctx, group); err != nil {
		return nil, err
	}
	if err := d.decide(ctx, group); err != nil {
		return nil, err
	}
	if d.isEmpty() {
		c.rollBack(ctx) // gives the lock back
		return d, nil
	}
	if err := c.write(ctx, d); err != nil {
		return d, err
	}
	c.definitions, c.definitionsAt = d.set.Defs, d.head.DefinitionsAt
	return d, nil
}

// patienceWith is the server's patience with a group: more with what looks wider than others, and goes alone.
func (c *committer) patienceWith(group []*waiting) time.Duration {
	if group[0].alone {
		return c.longPatience
	}
	return c.patience
}

// closeAfterPanic turns a panic into an error and closes the connection: nobody knows where in a conversation it is.
func (c *committer) closeAfterPanic(err *error) {
	if thrown := recover(); thrown != nil {
		c.disconnect()
		*err = panicked(thrown)
	}
}

func (c *committer) connect(ctx context.Context) error {
	if c.conn != nil && !c.conn.IsClosed() {
		return nil
	}
	conn, err := eventlog.Writer(ctx, c.pool, c.patience)
	if err != nil {
		return &lostError{err: err, away: true}
	}
	c.conn = conn
	return nil
}

// rollBack ends the transaction, if there is one; a connection that will not even do that is closed.
func (c *committer) rollBack(ctx context.Context) {
	if c.conn == nil || c.conn.IsClosed() || c.conn.PgConn().TxStatus() == 'I' {
		return
	}
	if _, err := c.conn.Exec(ctx, "rollback"); err != nil {
		c.disconnect()
	}
}

// disconnect closes the connection, without waiting long for a server that may be gone.
func (c *committer) disconnect() {
	if c.conn == nil {
		return
	}
	ctx, cancel := context.WithTimeout(context.Background(), time.Second)
	defer cancel()
	_ = c.conn.Close(ctx) // it is given up either way
	c.conn = nil
}
