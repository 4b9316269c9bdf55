package book

import (
	"context"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"

	"firstout/internal/events/eventlog"
)

// lookWaits are the pauses before each try to find out what became of a commit: about six seconds, in which a
// database that fell over is usually back.
// They are short: a database that is back must not be waited for any more.
var lookWaits = []time.Duration{
	0, 100 * time.Millisecond, 400 * time.Millisecond, time.Second, time.Second, time.Second, time.Second, time.Second,
}

// wasCommitted finds out whether a group was committed whose connection was lost at the commit. On a new connection it
// takes the head's lock first: the old session may still be committing, and holds that lock until it has or has not.
// Only then does it look. A group is one transaction, so its first event speaks for all of it; a group of answers
// without events is only ever asked for by its keys, which the next attempt looks up.
func (c *committer) wasCommitted(d *draft) (committed bool, err error) {
	if len(d.recorded) == 0 {
		return false, nil
	}
	for _, wait := range lookWaits {
		<-time.After(wait)
		if committed, err = c.look(d); err == nil {
			return committed, nil
		}
	}
	return false, fmt.Errorf("%w: %w", errCommitUnknown, err)
}

func (c *committer) look(d *draft) (committed bool, err error) {
	ctx, cancel := context.WithTimeout(context.Background(), c.patience+tripOver)
	defer cancel()
	c.disconnect()
	if err := c.connect(ctx); err != nil {
		return false, err
	}
	defer c.rollBack(ctx)
	var head eventlog.Head
	b := &pgx.Batch{}
	b.Queue("begin isolation level read committed")
	eventlog.QueueLock(b, &head)
	eventlog.QueueFindEvent(b, d.recorded[0].ID, &committed)
	if err := c.conn.SendBatch(ctx, b).Close(); err != nil {
		return false, fmt.Errorf("look what became of a group: %w", err)
	}
	return committed, nil
}
