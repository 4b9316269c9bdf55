package main

import (
	"context"
	"fmt"
	"sync"
	"time"

	"firstout/internal/events/eventlog"
	"firstout/internal/events/sealer"
)

// sealPatience is for how long events may wait to be sealed: a sealer at its work takes seconds.
const sealPatience = 5 * time.Minute

// A sealWatch says whether the sealing goes on, whichever process does it.
type sealWatch struct {
	db  eventlog.Querier
	now func() time.Time

	mu     sync.Mutex
	sealed int64     // how far the seal was when it was first seen to be there
	since  time.Time // zero: nothing waited
}

// check gives an error, in words for anybody, once events have waited for longer than they should while the seal stood
// still. It begins to count when it is first asked.
func (w *sealWatch) check(ctx context.Context) error {
	lag, err := sealer.ReadLag(ctx, w.db)
	if err != nil {
		return errOther
	}
	w.mu.Lock()
	defer w.mu.Unlock()
	switch now := w.now(); {
	case lag.Events() < 0:
		return fmt.Errorf("the log has %d events and its seal vouches for %d: some are missing; run firstout verify", lag.Head, lag.Sealed)
	case lag.Events() == 0:
		w.since = time.Time{}
	case w.since.IsZero() || w.sealed != lag.Sealed:
		w.sealed, w.since = lag.Sealed, now
	case now.Sub(w.since) > sealPatience:
		return fmt.Errorf("the sealing stands still at position %d, %d events behind: look at this program's log, and run firstout verify", lag.Sealed, lag.Events())
	}
	return nil
}
