package projections

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"
	"github.com/jackc/pgx/v5/pgxpool"

	"firstout/internal/events"
	"firstout/internal/events/eventlog"
	"firstout/internal/workshop"
)

// The limits of a rebuild.
const (
	flushAt      = 50_000  // movements and edges held before they are written out: some tens of megabytes
	nearEnough   = 1000    // events left to fold when the head is locked: some tens of milliseconds
	catchUps     = 20      // rounds in which to get that near
	swapWait     = "200ms" // a swap that waits for a reader holds nobody up for longer
	swapLongWait = "2s"    // the server clears its own cleaning out of the way only after a second
	swapTries    = 10      // with each of the two
	swapPause    = 100 * time.Millisecond
	foldTries    = 10 // where something is corrected meanwhile: corrections are seldom
)

// rebuildLock is the advisory lock that lets one rebuild of a database go on at a time.
const rebuildLock int64 = 0x66697273746f7574

// Rebuilt says what a rebuild did.
type Rebuilt struct {
	Position   int64 // of the last event in the tables when they were swapped
	Projection int   // the head's count of swaps from here on
}

// Rebuild folds the whole log into tables beside the derived tables in use and swaps them. Readers and writers go
// on meanwhile; for the swap, writers wait some milliseconds behind the head's lock, and readers behind the
// tables'. What a process has kept of the old tables is void once it sees another Projection in the head.
//
// The pool must be of the role that owns the tables and may make schemas in the database; it needs two
// connections. The whole state of the book is held in memory; movements and edges are not.
//
// A reader whose transaction took its snapshot before the swap and looks into a table only after it misses what
// was written to the log during the rebuild; a statement of its own sees all.
func Rebuild(ctx context.Context, owner *pgxpool.Pool) (Rebuilt, error) {
	return rebuildBy(ctx, owner, flushAt)
}

// rebuildBy is Rebuild with a number of movements and edges to write at once.
func rebuildBy(ctx context.Context, owner *pgxpool.Pool, many int) (Rebuilt, error) {
	conn, err := owner.Acquire(ctx)
	if err != nil {
		return Rebuilt{}, fmt.Errorf("rebuild: %w", err)
	}
	defer conn.Release()
	var free bool
	if err := conn.QueryRow(ctx, "SELECT pg_try_advisory_lock($1)", rebuildLock).Scan(&free); err != nil {
		return Rebuilt{}, fmt.Errorf("rebuild: %w", err)
	}
	if !free {
		return Rebuilt{}, errors.New("rebuild: another rebuild of this book is going on: wait for its end")
	}
	defer func() { // the session's end would free it too
		_, _ = conn.Exec(context.WithoutCancel(ctx), "SELECT pg_advisory_unlock($1)", rebuildLock)
	}()
	for range foldTries {
		var rebuilt Rebuilt
		if rebuilt, err = rebuild(ctx, owner, conn.Conn(), many); !errors.Is(err, errCorrected) {
			return rebuilt, wrap(err, "rebuild")
		}
		slog.InfoContext(ctx, "rebuild: something was corrected meanwhile, the log is folded anew")
	}
	return Rebuilt{}, wrap(err, "rebuild")
}

func rebuild(ctx context.Context, log Querier, db *pgx.Conn, many int) (Rebuilt, error) {
	indexes, err := makeTables(ctx, db)
	if err != nil {
		return Rebuilt{}, err
	}
	fold := newFolding()
	if err := fold.begin(ctx, log); err != nil {
		return Rebuilt{}, err
	}
	if err := fold.read(ctx, log, many, func() error { return fold.flush(ctx, db, besideSchema) }); err != nil {
		return Rebuilt{}, err
	}
	if err := fold.finish(ctx, db, besideSchema); err != nil {
		return Rebuilt{}, err
	}
	if err := execAll(ctx, db, indexes); err != nil {
		return Rebuilt{}, err
	}
	follower := &follower{set: fold.set, at: fold.at}
	if err := follower.catchUp(ctx, db); err != nil {
		return Rebuilt{}, err
	}
	rebuilt, err := follower.swap(ctx, db)
	if err != nil {
		return Rebuilt{}, err
	}
	return rebuilt, wrap(dropReplaced(ctx, db), "the new tables are in use, but the old ones could not be dropped")
}

// follower keeps the tables beside up with the log once they have been filled.
type follower struct {
	set *workshop.Set // the book as the tables beside have it
	at  int64         // and the position of the last event in them
}

// follow folds what the log has more and writes it to the tables beside, within tx. The follower that it gives
// takes the place of f if tx is committed.
func (f follower) follow(ctx context.Context, tx pgx.Tx) (follower, error) {
	next := follower{set: f.set.Fork(), at: f.at}
	var recorded []events.Recorded
	err := eventlog.Stream(ctx, tx, f.at, func(r events.Recorded) error {
		if _, correction := r.Data.(events.CommandCorrected); correction {
			return errCorrected // it changes what is folded already
		}
		recorded, next.at = append(recorded, r), r.Position
		return next.set.Apply(r)
	})
	if err != nil {
		return f, err
	}
	b := &pgx.Batch{}
	b.Queue("SET LOCAL search_path = " + besideSchema + ", " + liveSchema) // statements name their tables without a schema
	if err := QueueSave(b, next.set, recorded); err != nil {
		return f, err
	}
	return next, wrap(tx.SendBatch(ctx, b).Close(), "follow the log")
}

// catchUp comes so near to the head that writers can wait for the rest.
func (f *follower) catchUp(ctx context.Context, db *pgx.Conn) error {
	for range catchUps {
		var next follower
		err := pgx.BeginFunc(ctx, db, func(tx pgx.Tx) (err error) {
			next, err = f.follow(ctx, tx)
			return err
		})
		if err != nil {
			return err
		}
		behind := next.at - f.at
		*f = next
		if behind < nearEnough {
			break
		}
	}
	for _, table := range tables { // the first readers plan with these figures
		if _, err := db.Exec(ctx, "ANALYZE "+besideSchema+"."+table); err != nil {
			return fmt.Errorf("analyze %s: %w", table, err)
		}
	}
	return nil
}

// swap gives way to readers that are at work, and tries again.
func (f *follower) swap(ctx context.Context, db *pgx.Conn) (Rebuilt, error) {
	for try := 1; ; try++ {
		wait := swapWait
		if try > swapTries {
			wait = swapLongWait
		}
		rebuilt, err := f.trySwap(ctx, db, wait)
		if !isBusy(err) || try == 2*swapTries {
			return rebuilt, wrap(err, "swap the tables")
		}
		slog.InfoContext(ctx, "rebuild: somebody is reading the tables, the swap is tried again", slog.Int("try", try))
		select {
		case <-ctx.Done():
			return Rebuilt{}, ctx.Err()
		case <-time.After(swapPause):
		}
	}
}

// isBusy says whether an error is a lock not got in time, or a deadlock.
func isBusy(err error) bool {
	var refused *pgconn.PgError
	return errors.As(err, &refused) && (refused.Code == "55P03" || refused.Code == "40P01")
}

// trySwap takes the last events in and puts the tables beside in the place of those in use, in one transaction
// that holds the head.
func (f *follower) trySwap(ctx context.Context, db *pgx.Conn, wait string) (rebuilt Rebuilt, err error) {
	err = pgx.BeginFunc(ctx, db, func(tx pgx.Tx) error {
		var head eventlog.Head
		b := &pgx.Batch{}
		eventlog.QueueLimits(b, eventlog.LongPatience)
		eventlog.QueueLock(b, &head)
		if err := tx.SendBatch(ctx, b).Close(); err != nil {
			return err
		}
		next, err := f.follow(ctx, tx)
		if err != nil {
			return err
		}
		if next.at != head.Position {
			return fmt.Errorf("the log ends at %d and the head stands at %d", next.at, head.Position)
		}
		if err := rename(ctx, tx, wait); err != nil {
			return err
		}
		rebuilt = Rebuilt{Position: head.Position, Projection: head.Projection + 1}
		_, err = tx.Exec(ctx, "UPDATE head SET projection = $1", rebuilt.Projection)
		return err
	})
	return rebuilt, err
}
