package book

import (
	"bytes"
	"context"
	"fmt"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"

	"firstout/internal/events"
	"firstout/internal/events/eventlog"
	"firstout/internal/projections"
	"firstout/internal/workshop"
)

// loads bounds how often one command may ask for what was not loaded.
const loads = 64

// tripOver is what a trip may take beyond the server's own limit.
const tripOver = 500 * time.Millisecond

// A draft is a group in its transaction: what was decided so far, on a set that each command finds as the one before
// it left it. Results are told once it is committed and not before: a refusal may rest on a command of the same group.
type draft struct {
	conn     *pgx.Conn
	patience time.Duration // of the server's, in each trip
	head     eventlog.Head // as it will be
	now      time.Time
	set      *workshop.Set
	answered map[string]eventlog.Answered // by key: before this group, and in it

	recorded []events.Recorded
	answers  []eventlog.Answered
	results  []result
}

// begin is the first trip: it takes the head's lock and then reads what the group needs.
func (c *committer) begin(ctx context.Context, group []*waiting) (*draft, error) {
	d := &draft{conn: c.conn, patience: c.patienceWith(group), set: workshop.NewSet(c.definitions, false), answered: map[string]eventlog.Answered{}}
	var keys []string
	var needs []workshop.Need
	for _, w := range group {
		if w.Key != "" {
			keys = append(keys, w.Key)
		}
		needs = append(needs, w.needs...)
	}
	b := &pgx.Batch{}
	b.Queue("begin isolation level read committed") // and read only, where the server was told so
	if d.patience != c.patience {
		eventlog.QueueLimits(b, d.patience)
	}
	eventlog.QueueLock(b, &d.head)
	eventlog.QueueFindKeys(b, keys, d.answered)
	projections.QueueLoad(b, d.set, needs)
	if err := d.send(ctx, b); err != nil {
		return nil, fmt.Errorf("begin a group: %w", err)
	}
	if d.head.DefinitionsAt != c.definitionsAt {
		ctx, cancel := d.trip(ctx)
		defer cancel()
		definitions, err := projections.LoadDefinitions(ctx, d.conn)
		if err != nil {
			return nil, fmt.Errorf("begin a group: %w", d.lost(ctx, err))
		}
		c.definitions, c.definitionsAt = definitions, d.head.DefinitionsAt
		d.set.Defs = definitions
	}
	d.now = c.now(d.head)
	return d, nil
}

// decide carries the commands out on the set, in their order. An error is of the transaction, not of a command.
func (d *draft) decide(ctx context.Context, group []*waiting) error {
	for _, w := range group {
		r, err := d.carry(ctx, w)
		if err != nil {
			return err
		}
		d.results = append(d.results, r)
	}
	return nil
}

// carry decides one command, loading what it turns out to need. A command that is refused, or fails, leaves no trace
// in the draft.
func (d *draft) carry(ctx context.Context, w *waiting) (result, error) {
	if first, before := d.answered[w.Key]; before && w.Key != "" {
		return replay(first, w), nil
	}
	if w.ctx.Err() != nil {
		// It left while the group waited for the head, perhaps to ask another process with the same key. A refusal that it was
		// given there is not remembered, so this try must not be carried out behind it.
		return result{err: left(w.ctx)}, nil
	}
	for range loads {
		clock := workshop.Clock{Now: d.now, Next: d.head.Position + 1, NewID: newID}
		outcome, err := workshop.Carry(d.set, w.Command, w.Actor, w.Key, clock)
		switch {
		case err != nil:
			return result{err: err}, nil
		case len(outcome.Missing) > 0:
			if err := d.load(ctx, outcome.Missing); err != nil {
				return result{}, err
			}
		case outcome.Refusal != nil:
			return result{err: outcome.Refusal}, nil
		default:
			return d.keep(w, outcome), nil
		}
	}
	return result{err: fmt.Errorf("carry out %T: it asked for more after %d loads", w.Command, loads)}, nil
}

// replay gives a key's first answer again, whoever asks, if the request is the same.
func replay(first eventlog.Answered, w *waiting) result {
	if !bytes.Equal(first.RequestHash, w.RequestHash[:]) {
		return result{err: ErrKeyReused}
	}
	return result{answer: Answer{Status: first.Status, Body: first.Body, Replayed: true, Position: first.FirstPosition, Command: first.Command}}
}

func (d *draft) load(ctx context.Context, needs []workshop.Need) error {
	b := &pgx.Batch{}
	projections.QueueLoad(b, d.set, needs)
	if err := d.send(ctx, b); err != nil {
		return fmt.Errorf("load for a group: %w", err)
	}
	return nil
}

// keep puts a decided command into the draft, once its answer is rendered.
func (d *draft) keep(w *waiting, outcome workshop.Outcome) result {
	status, body, err := render(w, outcome)
	if err != nil {
		return result{err: fmt.Errorf("render the answer to %T: %w", w.Command, err)}
	}
	answer := Answer{Status: status, Body: body}
	if len(outcome.Recorded) > 0 {
		answer.Position, answer.Command = outcome.Recorded[0].Position, outcome.Recorded[0].ID
	}
	outcome.Set.Merge()
	d.recorded = append(d.recorded, outcome.Recorded...)
	d.head = d.head.After(outcome.Recorded)
	if w.Key != "" {
		first := eventlog.Answered{
			Key: w.Key, RequestHash: w.RequestHash[:], Status: status, Body: body,
			FirstPosition: answer.Position, Command: answer.Command, RecordedAt: d.now,
		}
		d.answered[w.Key] = first
		d.answers = append(d.answers, first)
	}
	return result{answer: answer}
}

func render(w *waiting, outcome workshop.Outcome) (status int, body []byte, err error) {
	defer recovered(&err)
	return w.Render(outcome.Answer, outcome.Recorded)
}

// isEmpty says that there is nothing to write.
func (d *draft) isEmpty() bool { return len(d.recorded) == 0 && len(d.answers) == 0 }

// write is the second trip: everything that was decided, and the commit.
func (c *committer) write(ctx context.Context, d *draft) error {
	b := &pgx.Batch{}
	if err := eventlog.QueueAppend(b, d.recorded, d.answers, d.head); err != nil {
		return fmt.Errorf("write a group: %w", err)
	}
	if err := projections.QueueSave(b, d.set, d.recorded); err != nil {
		return fmt.Errorf("write a group: %w", err)
	}
	b.Queue("commit").Exec(func(did pgconn.CommandTag) error {
		if did.String() != "COMMIT" {
			return errNotCommitted
		}
		return nil
	})
	ctx, cancel := d.trip(ctx)
	defer cancel()
	if err := commitError(d.conn, d.conn.SendBatch(ctx, b).Close()); err != nil {
		return fmt.Errorf("write a group: %w", err)
	}
	return nil
}

// send makes one trip.
func (d *draft) send(ctx context.Context, b *pgx.Batch) error {
	if b.Len() == 0 {
		return nil
	}
	ctx, cancel := d.trip(ctx)
	defer cancel()
	return d.lost(ctx, d.conn.SendBatch(ctx, b).Close())
}

// trip bounds one trip. The server's own limit ends whatever takes too long there; this ends the waiting for a server
// that is not heard any more.
func (d *draft) trip(ctx context.Context) (context.Context, context.CancelFunc) {
	return context.WithTimeout(ctx, d.patience+tripOver)
}

// lost marks an error that the connection did not survive.
func (d *draft) lost(ctx context.Context, err error) error {
	if err != nil && (d.conn.IsClosed() || ctx.Err() != nil) {
		return &lostError{err: err, away: ctx.Err() != nil}
	}
	return err
}

func newID() uuid.UUID { return uuid.Must(uuid.NewV7()) }
