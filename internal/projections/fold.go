package projections

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/google/uuid"

	"firstout/internal/events"
	"firstout/internal/events/eventlog"
	"firstout/internal/workshop"
)

// folding is the book being folded from the log: its state is kept, what only grows is written out as it comes.
type folding struct {
	set     *workshop.Set
	origins *origins
	sales   dailySales
	at      int64 // position of the last event in it

	corrections *workshop.Corrections
	acts        map[uuid.UUID]time.Time // by command in whose place others count: the earliest of all that ever counted there
}

// begin reads the corrections that the log has: what they change counts where the corrected commands stand.
func (f *folding) begin(ctx context.Context, log Querier) error {
	var corrections []events.Recorded
	for after := int64(0); ; {
		page, err := eventlog.Read(ctx, log, eventlog.Filter{After: after, Type: events.CommandCorrected{}.EventType()})
		if err != nil {
			return err
		}
		for _, stored := range page {
			corrections, after = append(corrections, stored.Recorded), stored.Position
		}
		if len(page) < eventlog.MaxRead {
			break
		}
	}
	f.knows(corrections)
	return nil
}

// knows says what is corrected in the log that is folded.
func (f *folding) knows(corrections []events.Recorded) {
	f.corrections = workshop.CorrectionsIn(corrections)
	f.set.Corrected(f.corrections)
}

// errCorrected says that something was corrected while the log was being folded: it is folded anew.
var errCorrected = errors.New("a command was corrected meanwhile")

func newFolding() *folding {
	return &folding{set: workshop.NewSet(&workshop.Definitions{}, true), origins: newOrigins(), sales: dailySales{}, acts: map[uuid.UUID]time.Time{}}
}

// read folds every event that the log has after those folded already. out takes movements, edges and readings once there
// are so many of them; with no out they stay in the set.
func (f *folding) read(ctx context.Context, log Querier, many int, out func() error) error {
	return eventlog.Stream(ctx, log, f.at, func(r events.Recorded) error { return f.take(r, many, out) })
}

// take folds the next event.
func (f *folding) take(r events.Recorded, many int, out func() error) error {
	if r.Position != f.at+1 {
		return fmt.Errorf("position %d follows on %d: the log has a gap", r.Position, f.at)
	}
	if _, correction := r.Data.(events.CommandCorrected); correction && !f.corrections.Knows(r.Command) {
		return errCorrected
	}
	applied, err := f.set.Fold(r, f.corrections)
	if err != nil {
		return err
	}
	for _, e := range applied {
		f.origins.note(e)
	}
	f.origins.wrote(r)
	f.acted(r)
	f.at = r.Position
	if out != nil && len(f.set.Movements)+len(f.set.Edges)+len(f.set.Readings) >= many {
		return out()
	}
	return nil
}

// acted follows from when on each correction acts: from the earliest of what was written and what counted in its place since.
func (f *folding) acted(r events.Recorded) {
	root := f.corrections.Root(r.Command)
	if corrected, is := r.Data.(events.CommandCorrected); is {
		f.acts[root] = workshop.Earliest(f.acts[root], corrected.OccurredAts()...)
		f.origins.acts[r.Command] = f.acts[root]
	} else if r.Command == root && f.corrections.Ever(root) {
		f.acts[root] = workshop.Earliest(f.acts[root], r.OccurredAt)
	}
}

// flush writes the movements, edges and readings gathered so far and lets go of them.
func (f *folding) flush(ctx context.Context, db copyFrom, schema string) error {
	f.sales.add(f.set.Movements, 1)
	if err := movementRows(f.set.Movements).copyInto(ctx, db, schema); err != nil {
		return err
	}
	if err := edgeRows(f.set.Edges).copyInto(ctx, db, schema); err != nil {
		return err
	}
	if err := readingRows(f.set.Readings).copyInto(ctx, db, schema); err != nil {
		return err
	}
	f.set.Movements, f.set.Edges, f.set.Readings = f.set.Movements[:0], f.set.Edges[:0], f.set.Readings[:0]
	return nil
}

// finish writes what is left of movements, edges and readings, and every state.
func (f *folding) finish(ctx context.Context, db copyFrom, schema string) error {
	if err := f.flush(ctx, db, schema); err != nil {
		return err
	}
	states, err := stateRows(f.set, f.origins)
	if err != nil {
		return err
	}
	for _, table := range append(states, f.sales.rows()) {
		if err := table.copyInto(ctx, db, schema); err != nil {
			return err
		}
	}
	return nil
}
