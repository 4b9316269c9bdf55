package sealer

import (
	"context"
	"errors"
	"fmt"
	"iter"
	"runtime"
	"slices"
	"sync"

	"github.com/jackc/pgx/v5"
	"golang.org/x/mod/sumdb/note"

	"firstout/internal/events/eventlog"
	"firstout/internal/events/seal"
)

// Verify holds the whole log in a database, as it stands at one moment, against the hashes and the checkpoints kept
// beside it, and against checkpoints that were taken away before. Every event's columns must be what its bytes say.
// With keys, every checkpoint that is kept must be signed with one of them; without, what is kept is only held against
// itself. What is wrong is a *seal.Finding.
func Verify(ctx context.Context, db DB, outside []seal.Checkpoint, keys ...note.Verifier) (report seal.Report, err error) {
	options := pgx.TxOptions{IsoLevel: pgx.RepeatableRead, AccessMode: pgx.ReadOnly}
	err = pgx.BeginTxFunc(ctx, db, options, func(tx pgx.Tx) error {
		kept, err := checkpoints(ctx, tx, keys)
		if err != nil {
			return err
		}
		head, err := eventlog.ReadHead(ctx, tx)
		if err != nil {
			return err
		}
		all := slices.Concat(kept, outside)
		log := &rows{ctx: ctx, tx: tx}
		for _, c := range all {
			log.sealed = max(log.sealed, c.Size)
		}
		report, err = seal.Verify(log.entries, seal.Evidence{Checkpoints: all, Stored: hashesInOrder(ctx, tx), Check: log.check})
		if err == nil && report.Size != head.Position {
			err = &seal.Finding{Position: report.Size + 1, Detail: fmt.Sprintf("it is missing: the book says that it has come to %d", head.Position)}
		}
		if err != nil {
			return err
		}
		return checkCodes(ctx, tx)
	})
	return report, err
}

// checkCodes holds the table that finds events by code against their bytes: an event that it does not lead to would be
// missing from a trace and still be in the log.
func checkCodes(ctx context.Context, tx pgx.Tx) error {
	var position int64
	var code string
	err := tx.QueryRow(ctx, `
SELECT position, code
FROM (SELECT position, jsonb_array_elements_text(canonical::jsonb -> 'codes') COLLATE "C" AS code, true AS there FROM log) AS said
FULL JOIN (SELECT position, code, true AS there FROM event_codes) AS kept USING (position, code)
WHERE said.there IS NULL OR kept.there IS NULL
ORDER BY position
LIMIT 1`).Scan(&position, &code)
	switch {
	case errors.Is(err, pgx.ErrNoRows):
		return nil
	case err != nil:
		return fmt.Errorf("read the codes of events: %w", err)
	}
	return &seal.Finding{Position: position, Detail: fmt.Sprintf("its bytes and the table event_codes do not agree whether it concerns %s", code)}
}

// checkpoints reads all that are kept.
func checkpoints(ctx context.Context, tx pgx.Tx, keys []note.Verifier) ([]seal.Checkpoint, error) {
	rows, err := tx.Query(ctx, `SELECT size, root, note FROM checkpoints ORDER BY size`)
	if err != nil {
		return nil, fmt.Errorf("read the checkpoints: %w", err)
	}
	var all []seal.Checkpoint
	var size int64
	var root []byte
	var text string
	_, err = pgx.ForEachRow(rows, []any{&size, &root, &text}, func() error {
		c, err := seal.Peek([]byte(text))
		if err == nil && len(keys) > 0 {
			c, err = seal.Open([]byte(text), keys...)
		}
		switch {
		case err != nil:
			return &seal.Finding{Detail: fmt.Sprintf("the checkpoint kept of size %d: %v", size, err)}
		case c.Size != size || c.Root != seal.Hash(root):
			return &seal.Finding{Detail: fmt.Sprintf("the checkpoint kept of size %d is another than was signed", size)}
		case len(all) > 0 && c.Origin != all[0].Origin:
			return &seal.Finding{Detail: fmt.Sprintf("the checkpoint kept of size %d is of %s, the first of %s", size, c.Origin, all[0].Origin)}
		}
		all = append(all, c)
		return nil
	})
	return all, err
}

// What is read at once: about a megabyte of each.
const (
	rowsAtOnce   = 1000
	hashesAtOnce = 10_000
)

// rows are the events of a log, read a page at a time, which leaves the transaction free for other reads in between.
type rows struct {
	ctx    context.Context
	tx     pgx.Tx
	sealed int64 // up to here a checkpoint vouches for the bytes
	page   []eventlog.Row
	bad    []error // what is wrong with each row of the page by itself
	at     int
}

func (r *rows) entries(yield func(seal.Entry, error) bool) {
	for after := int64(0); ; {
		page, err := eventlog.ReadRows(r.ctx, r.tx, after, rowsAtOnce)
		if err != nil {
			yield(seal.Entry{}, err)
			return
		}
		r.page, r.bad = page, checkRows(page, r.sealed)
		for r.at = range r.page {
			if !yield(seal.Entry{Position: page[r.at].Position, Canonical: page[r.at].Canonical}, nil) {
				return
			}
		}
		if len(page) < rowsAtOnce {
			return
		}
		after = page[len(page)-1].Position
	}
}

func (r *rows) check(seal.Entry) error { return r.bad[r.at] }

// checkRows checks the rows of a page on every processor: reading events takes far longer than hashing them. Bytes that a
// checkpoint vouches for, which is judged apart, are read for their columns only.
func checkRows(page []eventlog.Row, sealed int64) []error {
	bad := make([]error, len(page))
	workers := runtime.GOMAXPROCS(0)
	var all sync.WaitGroup
	for w := range workers {
		all.Go(func() {
			for i := w; i < len(page); i += workers {
				if page[i].Position <= sealed {
					bad[i] = page[i].CheckColumns()
				} else {
					bad[i] = page[i].Check()
				}
			}
		})
	}
	all.Wait()
	return bad
}

// hashesInOrder reads the stored hashes from index 0 on. One that is missing is told as a finding.
func hashesInOrder(ctx context.Context, tx pgx.Tx) iter.Seq2[seal.Hash, error] {
	return func(yield func(seal.Hash, error) bool) {
		type stored struct {
			Idx  int64
			Hash []byte
		}
		for next := int64(0); ; {
			rows, err := tx.Query(ctx, `SELECT idx, hash FROM seal_hashes WHERE idx >= $1 ORDER BY idx LIMIT $2`, next, hashesAtOnce)
			if err != nil {
				yield(seal.Hash{}, fmt.Errorf("read the hashes: %w", err))
				return
			}
			page, err := pgx.CollectRows(rows, pgx.RowToStructByPos[stored])
			if err != nil {
				yield(seal.Hash{}, fmt.Errorf("read the hashes: %w", err))
				return
			}
			for _, s := range page {
				if s.Idx != next {
					yield(seal.Hash{}, &seal.Finding{Detail: fmt.Sprintf("of the stored hashes the one of index %d is missing", next)})
					return
				}
				next++
				if !yield(seal.Hash(s.Hash), nil) {
					return
				}
			}
			if len(page) < hashesAtOnce {
				return
			}
		}
	}
}
