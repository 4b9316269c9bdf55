package book

import (
	"context"
	"crypto/rand"
	"encoding/hex"
	"errors"
	"fmt"
	"sync"
	"time"

	"github.com/jackc/pgx/v5"

	"firstout/internal/events/eventlog"
)

var (
	// ErrDiskFull says that PostgreSQL had no room for the last thing that was to be written, and has none yet.
	ErrDiskFull = errors.New("the database's disk is full: make room on it, nothing else is needed")
	// ErrReadOnly says that PostgreSQL takes no writes.
	ErrReadOnly = errors.New("the database takes no writes: it is a standby, or was told to be read only")
	// ErrStuck says that a group of commands has been under way for so long that it is not just slow.
	ErrStuck = errors.New("writing stands still")
)

const (
	// stuckAfter is longer than any group takes but one that looks wide, which holds everybody up as well.
	stuckAfter = 10 * time.Second
	// probeEvery bounds how often it is tried whether there is room again: a try leaves a dead row.
	probeEvery = time.Second
	// probeSize is more than a page, so that there must be room for new ones.
	probeSize = 32 << 10
)

// vitals are how the committer fares, for whoever asks from outside.
type vitals struct {
	mu       sync.Mutex
	since    time.Time // when the group that is under way was taken up; zero: none is
	full     bool      // what was to be written last found no room
	probedAt time.Time
}

func (v *vitals) begin(now time.Time) {
	v.mu.Lock()
	defer v.mu.Unlock()
	v.since = now
}

func (v *vitals) end() {
	v.mu.Lock()
	defer v.mu.Unlock()
	v.since = time.Time{}
}

// wrote notes how a write ended; nil: it is committed.
func (v *vitals) wrote(err error) {
	v.mu.Lock()
	defer v.mu.Unlock()
	switch {
	case err == nil:
		v.full = false
	case eventlog.Full(err):
		v.full = true
	}
}

// look gives how long a group has been under way, whether there was no room, and whether to try if there is again.
func (v *vitals) look(now time.Time) (busy time.Duration, full, probe bool) {
	v.mu.Lock()
	defer v.mu.Unlock()
	if !v.since.IsZero() {
		busy = now.Sub(v.since)
	}
	if v.full && now.Sub(v.probedAt) >= probeEvery {
		v.probedAt, probe = now, true
	}
	return busy, v.full, probe
}

// Check says why the book cannot be written just now: ErrStuck, ErrDiskFull, ErrReadOnly, or what the database
// answered; nil: nothing is known to stand in the way. A full disk is believed until something was written, or could
// have been.
func (b *Book) Check(ctx context.Context) error {
	busy, full, probe := b.vitals.look(b.options.Clock())
	if busy >= stuckAfter {
		return fmt.Errorf("%w: what is being written has taken %d seconds so far", ErrStuck, int(busy.Seconds()))
	}
	if probe {
		err := b.probe(ctx)
		b.vitals.wrote(err)
		full = err != nil
	}
	if full {
		return ErrDiskFull
	}
	var standby bool
	if err := b.pool.QueryRow(ctx, `SELECT current_setting('transaction_read_only')::boolean OR pg_is_in_recovery()`).Scan(&standby); err != nil {
		return fmt.Errorf("look whether the database takes writes: %w", err)
	}
	if standby {
		return ErrReadOnly
	}
	return nil
}

// probe writes an answer that no key has, and takes it back.
func (b *Book) probe(ctx context.Context) error {
	noise := make([]byte, probeSize/2) // PostgreSQL would compress anything else
	_, _ = rand.Read(noise)            // never fails
	tx, err := b.pool.Begin(ctx)
	if err != nil {
		return fmt.Errorf("try whether there is room: %w", err)
	}
	batch := &pgx.Batch{}
	eventlog.QueueProbe(batch, hex.EncodeToString(noise))
	err = tx.SendBatch(ctx, batch).Close()
	return errors.Join(err, tx.Rollback(ctx))
}
