// Package sealer seals the log in PostgreSQL: it keeps the hashes of its Merkle tree, signs checkpoints of it, answers
// with proofs, and verifies all of it against the events as they stand. What is hashed and signed, and how, is package
// seal's.
//
// Positions are dense and in the order of commits, so what is sealed up to a position can have no event come in before
// it. A sealing is one transaction; one process at a time does it, whoever comes first.
package sealer

import (
	"context"
	"fmt"
	"log/slog"
	"time"

	"github.com/jackc/pgx/v5"

	"firstout/internal/events/eventlog"
	"firstout/internal/events/seal"
)

// A DB reads, and begins transactions: a pool.
type DB interface {
	eventlog.Querier
	BeginTx(ctx context.Context, options pgx.TxOptions) (pgx.Tx, error)
}

// Options are what a Sealer needs beside its database.
type Options struct {
	Key     seal.Key
	Changed func() <-chan struct{} // closed once this process has written; nil: only time tells
	Pause   time.Duration          // between two sealings, so that a busy day is not a checkpoint a sale; zero: DefaultPause
	Poll    time.Duration          // how often what other processes wrote is looked for; zero: DefaultPoll
	Batch   int                    // events sealed in one transaction; zero: DefaultBatch
	Log     *slog.Logger           // nil: nothing is logged
	Signed  func(note []byte)      // told of every newest checkpoint once it is committed; must not wait. nil: nobody is told
	Outcome func(error)            // told how every look went; nil: nobody counts
}

// What a Sealer does unless it is told otherwise. A workshop writes a few events a minute: a checkpoint is signed within
// ten seconds of one, and at most every ten seconds.
const (
	DefaultPause = 10 * time.Second
	DefaultPoll  = 30 * time.Second
	DefaultBatch = 2000 // about two megabytes of events
)

// A Sealer seals what is committed to the log.
type Sealer struct {
	db      DB
	options Options
	signing func(context.Context, pgx.Tx) error // a test's, between the hashes and the checkpoint
}

// New gives the sealer of a book.
func New(db DB, options Options) *Sealer {
	if options.Pause == 0 {
		options.Pause = DefaultPause
	}
	if options.Poll == 0 {
		options.Poll = DefaultPoll
	}
	if options.Batch == 0 {
		options.Batch = DefaultBatch
	}
	if options.Log == nil {
		options.Log = slog.New(slog.DiscardHandler)
	}
	if options.Changed == nil {
		options.Changed = func() <-chan struct{} { return nil }
	}
	if options.Signed == nil {
		options.Signed = func([]byte) {}
	}
	if options.Outcome == nil {
		options.Outcome = func(error) {}
	}
	return &Sealer{db: db, options: options, signing: func(context.Context, pgx.Tx) error { return nil }}
}

// Run seals until the context ends. What goes wrong is logged when it begins and when it is over, and tried again.
func (s *Sealer) Run(ctx context.Context) {
	failing := false
	for {
		changed := s.options.Changed() // asked for before the look, so that nothing comes in between
		err := s.SealAll(ctx)
		if ctx.Err() != nil {
			return
		}
		s.options.Outcome(err)
		switch {
		case err != nil && !failing:
			s.options.Log.ErrorContext(ctx, "the log is not being sealed", slog.Any("error", err))
		case err == nil && failing:
			s.options.Log.InfoContext(ctx, "the log is being sealed again")
		}
		failing = err != nil
		if !wait(ctx, nil, s.options.Pause) || !wait(ctx, changed, s.options.Poll) {
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

// SealAll seals what is committed, a batch a transaction, until there is no more, or another process is at it. The newest
// checkpoint, if there is a new one, is told once.
func (s *Sealer) SealAll(ctx context.Context) error {
	var newest []byte
	defer func() {
		if newest != nil {
			s.options.Signed(newest)
		}
	}()
	for {
		note, more, err := s.sealBatch(ctx)
		if note != nil {
			newest = note
		}
		if err != nil || !more {
			return err
		}
	}
}

// sealLock is the advisory lock that lets one process at a time seal a database: "seal" in ASCII.
const sealLock = 0x7365616c

// sealWait bounds one sealing, so that a database that does not answer is noticed.
const sealWait = time.Minute

// sealBatch seals up to a batch of events. note is the checkpoint it signed; nil: there was nothing to seal, or another
// process is at it.
func (s *Sealer) sealBatch(ctx context.Context) (note []byte, more bool, err error) {
	ctx, cancel := context.WithTimeout(ctx, sealWait)
	defer cancel()
	lag, err := ReadLag(ctx, s.db)
	if err != nil || lag.Head == lag.Sealed {
		return nil, false, err
	}
	err = pgx.BeginTxFunc(ctx, s.db, pgx.TxOptions{IsoLevel: pgx.ReadCommitted}, func(tx pgx.Tx) error {
		var free bool
		if err := tx.QueryRow(ctx, `SELECT pg_try_advisory_xact_lock($1)`, sealLock).Scan(&free); err != nil {
			return fmt.Errorf("seal: take the lock: %w", err)
		}
		if !free {
			return nil
		}
		note, more, err = s.sealUnderLock(ctx, tx)
		return err
	})
	if err != nil {
		return nil, false, err
	}
	return note, more, nil
}

// sealUnderLock does the work of one transaction. What it reads it reads after the lock, statement by statement: whoever
// held it before has committed.
func (s *Sealer) sealUnderLock(ctx context.Context, tx pgx.Tx) (note []byte, more bool, err error) {
	last, err := s.lastCheckpoint(ctx, tx)
	if err != nil {
		return nil, false, err
	}
	found, more, err := readBatch(ctx, tx, last.Size, s.options.Batch)
	if err != nil || len(found) == 0 {
		return nil, false, err
	}
	stored := &ahead{first: firstIndex(last.Size), before: Hashes{ctx, tx}}
	tree, err := seal.Resume(last.Size, stored.before)
	if err != nil {
		return nil, false, err
	}
	for _, canonical := range found {
		stored.hashes = tree.Add(stored.hashes, seal.Leaf(canonical))
	}
	next := seal.Checkpoint{Origin: s.options.Key.Name(), Size: tree.Size(), Root: tree.Root()}
	if err := onlyGrew(last, next, stored); err != nil {
		return nil, false, err
	}
	if err := insertHashes(ctx, tx, stored.first, stored.hashes); err != nil {
		return nil, false, err
	}
	if err := s.signing(ctx, tx); err != nil {
		return nil, false, err
	}
	if note, err = next.Sign(s.options.Key); err != nil {
		return nil, false, err
	}
	return note, more, insertCheckpoint(ctx, tx, next, note)
}

// Check says whether this sealer's key can go on from the last checkpoint: an *OtherOriginError if the book is sealed under
// another name.
func (s *Sealer) Check(ctx context.Context) error {
	_, err := s.lastCheckpoint(ctx, s.db)
	return err
}

// lastCheckpoint reads what was signed last, checks its signature if it is of the key in use, and its name in any case:
// a log has one name for ever. Before the first there is the empty log.
func (s *Sealer) lastCheckpoint(ctx context.Context, q eventlog.Querier) (seal.Checkpoint, error) {
	newest, found, err := Newest(ctx, q)
	if err != nil {
		return seal.Checkpoint{}, err
	}
	if !found {
		return seal.Checkpoint{Origin: s.options.Key.Name(), Root: new(seal.Tree).Root()}, nil
	}
	verifier, err := seal.ParseVerifier(s.options.Key.Verifier())
	if err != nil {
		return seal.Checkpoint{}, err
	}
	last, err := seal.Peek(newest.Note)
	if err == nil && seal.SignedBy(newest.Note, verifier) {
		last, err = seal.Open(newest.Note, verifier)
	}
	switch {
	case err != nil:
		return last, fmt.Errorf("the last checkpoint, of size %d, is not as it was signed: %w", newest.Size, err)
	case last.Origin != s.options.Key.Name():
		return last, &OtherOriginError{Sealed: last.Origin, Key: s.options.Key.Name()}
	case last.Size != newest.Size:
		return last, fmt.Errorf("the last checkpoint says it is of size %d and is kept as one of size %d", last.Size, newest.Size)
	}
	return last, nil
}

// onlyGrew proves that what is signed next goes on from what was signed last: a log that signs two checkpoints that do
// not agree can never be believed again.
func onlyGrew(last, next seal.Checkpoint, stored seal.Reader) error {
	proof, err := seal.ProveConsistency(last.Size, next.Size, stored)
	if err != nil {
		return err
	}
	if proof.Check(last.Root, next.Root) != nil {
		return fmt.Errorf("the hashes that are stored do not go on from the last checkpoint, of size %d, and nothing more is signed: firstout verify tells what was changed", last.Size)
	}
	return nil
}

// OtherOriginError says that a book was sealed under another name than the key's.
type OtherOriginError struct{ Sealed, Key string }

// Error says what to do about it.
func (e *OtherOriginError) Error() string {
	return fmt.Sprintf("this book is sealed as %s for ever, and the signing key is named %s: use the key of that name, or make a new one of it with firstout keys seal --name %s, and give its public half to whoever checks the book", e.Sealed, e.Key, e.Sealed)
}

// A HoleError says that the log is not what it must be to be sealed: events of it are missing.
type HoleError struct {
	Position int64 // the first that is missing
	Next     int64 // the one found instead; 0: none
	Head     int64 // how far the book says it has come
}

// Error tells where.
func (e *HoleError) Error() string {
	if e.Next == 0 {
		return fmt.Sprintf("position %d is missing from the log, which should go on to %d: nothing after it is sealed", e.Position, e.Head)
	}
	return fmt.Sprintf("position %d is missing from the log, where %d follows: nothing after it is sealed", e.Position, e.Next)
}

// readBatch reads the events after a position, none of which may be missing, and says whether there are more. The head is
// read first: by then everything up to it can be read.
func readBatch(ctx context.Context, tx pgx.Tx, after int64, limit int) (found [][]byte, more bool, err error) {
	head, err := eventlog.ReadHead(ctx, tx)
	if err != nil {
		return nil, false, err
	}
	if head.Position < after {
		return nil, false, fmt.Errorf("the book says it has come to %d and %d events of it are sealed: it was put back to an earlier state; go on from a newer one", head.Position, after)
	}
	rows, err := tx.Query(ctx, `SELECT position, canonical FROM log WHERE position > $1 ORDER BY position LIMIT $2`, after, limit)
	if err != nil {
		return nil, false, fmt.Errorf("seal: read the log: %w", err)
	}
	var position int64
	var canonical string
	next := after
	_, err = pgx.ForEachRow(rows, []any{&position, &canonical}, func() error {
		if next++; position != next {
			return &HoleError{Position: next, Next: position, Head: head.Position}
		}
		found = append(found, []byte(canonical))
		return nil
	})
	switch {
	case err != nil:
		return nil, false, fmt.Errorf("seal: read the log: %w", err)
	case len(found) < limit && next < head.Position:
		return nil, false, fmt.Errorf("seal: read the log: %w", &HoleError{Position: next + 1, Head: head.Position})
	}
	return found, len(found) == limit, nil
}
