package sealer

import (
	"context"
	"fmt"
	"runtime"
	"slices"
	"sync"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgtype"
	"golang.org/x/mod/sumdb/note"

	"firstout/internal/events"
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
		if err := eventlog.Unhurried(ctx, tx); err != nil {
			return err
		}
		kept, err := checkpoints(ctx, tx, keys)
		if err != nil {
			return err
		}
		head, err := eventlog.ReadHead(ctx, tx)
		if err != nil {
			return err
		}
		all := slices.Concat(kept, outside)
		reading := &reading{ctx: ctx, tx: tx}
		codes := &codes{reading: reading}
		log := &rows{reading: reading, codes: codes}
		for _, c := range all {
			log.sealed = max(log.sealed, c.Size)
		}
		report, err = seal.Verify(log.entries, seal.Evidence{Checkpoints: all, Stored: reading.hashes, Check: log.check})
		if err == nil && report.Size != head.Position {
			err = &seal.Finding{Position: report.Size + 1, Detail: fmt.Sprintf("it is missing: the book says that it has come to %d", head.Position)}
		}
		if err != nil {
			return err
		}
		return codes.end()
	})
	return report, err
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
	codesAtOnce  = 10_000
	hashesAtOnce = 10_000
)

// A reading is the one transaction that everything is read in, page by page. Pages are fetched ahead, so two of them may be
// asked for at a time.
type reading struct {
	ctx context.Context
	tx  pgx.Tx
	mu  sync.Mutex
}

// rows are the events of a log, read a page at a time.
type rows struct {
	*reading
	sealed int64 // up to here a checkpoint vouches for the bytes
	codes  *codes
	page   []eventlog.Row
	found  []found // about each row of the page by itself
	at     int
}

// found is what a look at a row gave.
type found struct {
	codes []events.Code // that its bytes say it concerns
	bad   error
}

func (r *rows) entries(yield func(seal.Entry, error) bool) {
	ahead := r.fetch(0)
	defer func() { <-ahead }() // the transaction must not be ended under it
	for {
		next := <-ahead
		if next.err != nil {
			yield(seal.Entry{}, next.err)
			return
		}
		if r.page = next.page; len(r.page) == rowsAtOnce {
			ahead = r.fetch(r.page[len(r.page)-1].Position)
		}
		r.found = look(r.page, r.sealed)
		for r.at = range r.page {
			if !yield(seal.Entry{Position: r.page[r.at].Position, Canonical: r.page[r.at].Canonical}, nil) {
				return
			}
		}
		if len(r.page) < rowsAtOnce {
			return
		}
	}
}

// fetched is a page, or why there is none.
type fetched struct {
	page []eventlog.Row
	err  error
}

// fetch reads a page while the one before it is looked at. The channel gives it once, and nothing ever after.
func (r *rows) fetch(after int64) <-chan fetched {
	ahead := make(chan fetched, 1)
	go func() {
		defer close(ahead)
		r.mu.Lock()
		defer r.mu.Unlock()
		page, err := eventlog.ReadRows(r.ctx, r.tx, after, rowsAtOnce)
		ahead <- fetched{page, err}
	}()
	return ahead
}

func (r *rows) check(e seal.Entry) error {
	if err := r.found[r.at].bad; err != nil {
		return err
	}
	return r.codes.hold(e.Position, r.found[r.at].codes)
}

// look looks at the rows of a page on every processor: reading events takes far longer than hashing them. Bytes that a
// checkpoint vouches for, which is judged apart, are read for their columns only.
func look(page []eventlog.Row, sealed int64) []found {
	all := make([]found, len(page))
	workers := runtime.GOMAXPROCS(0)
	var done sync.WaitGroup
	for w := range workers {
		done.Go(func() {
			for i := w; i < len(page); i += workers {
				if page[i].Position <= sealed {
					all[i].codes, all[i].bad = page[i].CheckColumns()
				} else {
					all[i].codes, all[i].bad = page[i].Check()
				}
			}
		})
	}
	done.Wait()
	return all
}

// codes hold the table that finds events by code against their bytes: an event that it does not lead to would be missing
// from a trace and still be in the log. Both are gone through once, in the order of positions.
type codes struct {
	*reading
	begun, ended bool
	page         []concerned // read and not held against anything yet
	differ       *seal.Finding
}

// concerned is a row of the table.
type concerned struct {
	Position int64
	Code     events.Code
}

// hold holds the rows of one position, and of those before it that no event has, against what an event says. What differs
// is told by end, after what is wrong with the events themselves.
func (c *codes) hold(position int64, said []events.Code) error {
	said = slices.Clone(said)
	slices.Sort(said) // as bytes, as the table is; events have them in the order of the things they name
	said = slices.Compact(said)
	for c.differ == nil {
		kept, is, err := c.peek()
		is = is && kept.Position <= position
		switch {
		case err != nil:
			return err
		case !is && len(said) == 0:
			return nil
		case !is || len(said) > 0 && kept.Position == position && said[0] < kept.Code:
			c.differs(position, said[0])
		case kept.Position < position || len(said) == 0 || kept.Code < said[0]:
			c.differs(kept.Position, kept.Code)
		default:
			said, c.page = said[1:], c.page[1:]
		}
	}
	return nil
}

func (c *codes) differs(position int64, code events.Code) {
	c.differ = &seal.Finding{Position: position, Detail: fmt.Sprintf("its bytes and the table event_codes do not agree whether it concerns %s", code)}
}

// end says where the table and the events first differ.
func (c *codes) end() error {
	if c.differ == nil {
		kept, is, err := c.peek()
		if err != nil {
			return err
		}
		if is {
			c.differs(kept.Position, kept.Code)
		}
	}
	if c.differ != nil {
		return c.differ
	}
	return nil
}

// peek gives the next row of the table; is says whether there is one.
func (c *codes) peek() (next concerned, is bool, err error) {
	if len(c.page) == 0 && !c.ended {
		if c.page, err = c.read(); err != nil {
			return concerned{}, false, fmt.Errorf("read the codes of events: %w", err)
		}
		c.ended = len(c.page) < codesAtOnce
	}
	if len(c.page) == 0 {
		return concerned{}, false, nil
	}
	return c.page[0], true, nil
}

// read reads on in one pass: the table has no index that begins with the position, and is sorted once.
func (c *codes) read() ([]concerned, error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if !c.begun {
		if _, err := c.tx.Exec(c.ctx, `DECLARE codes_in_order NO SCROLL CURSOR FOR SELECT position, code FROM event_codes ORDER BY position, code`); err != nil {
			return nil, err
		}
		c.begun = true
	}
	rows, err := c.tx.Query(c.ctx, fmt.Sprintf(`FETCH %d FROM codes_in_order`, codesAtOnce))
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, func(row pgx.CollectableRow) (next concerned, err error) {
		err = row.Scan(&next.Position, (*string)(&next.Code))
		return next, err
	})
}

// hashes reads the stored hashes from index 0 on. One that is missing is told as a finding.
func (r *reading) hashes(yield func(seal.Hash, error) bool) {
	for next := int64(0); ; {
		page, err := r.hashesFrom(next)
		if err != nil {
			yield(seal.Hash{}, fmt.Errorf("read the hashes: %w", err))
			return
		}
		for _, s := range page {
			if s.index != next {
				yield(seal.Hash{}, &seal.Finding{Detail: fmt.Sprintf("of the stored hashes the one of index %d is missing", next)})
				return
			}
			next++
			if !yield(s.hash, nil) {
				return
			}
		}
		if len(page) < hashesAtOnce {
			return
		}
	}
}

// stored is a row of the hashes.
type stored struct {
	index int64
	hash  seal.Hash
}

func (r *reading) hashesFrom(index int64) ([]stored, error) {
	r.mu.Lock()
	defer r.mu.Unlock()
	rows, err := r.tx.Query(r.ctx, `SELECT idx, hash FROM seal_hashes WHERE idx >= $1 ORDER BY idx LIMIT $2`, index, hashesAtOnce)
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, func(row pgx.CollectableRow) (s stored, err error) {
		var hash pgtype.DriverBytes // good until the next row
		if err = row.Scan(&s.index, &hash); err == nil {
			s.hash = seal.Hash(hash)
		}
		return s, err
	})
}
