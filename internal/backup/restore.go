package backup

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"

	"github.com/jackc/pgx/v5"
	"golang.org/x/mod/sumdb/tlog"

	"firstout/internal/events"
	"firstout/internal/events/eventlog"
	"firstout/internal/events/export"
	"firstout/internal/events/seal"
	"firstout/internal/events/sealer"
	"firstout/internal/projections"
)

// Restore checks a file as Check does and puts its book into a database that has the newest schema and no book, with its
// derived tables folded anew, in one transaction: all of it stands at the end, or nothing. The book begins a new epoch, as
// what was written after the file was made is gone: cursors and feeds of before begin anew. The last checkpoint stays the
// last, so that the next is proved to go on from it.
//
// db is the role that owns the tables. The state of the book is held in memory, as by a rebuild.
func Restore(ctx context.Context, db DB, file io.ReadSeeker, against Evidence) (Checked, error) {
	checked, err := Check(file, against)
	if err != nil {
		return Checked{}, fmt.Errorf("restore: nothing was written: %w", err)
	}
	err = pgx.BeginTxFunc(ctx, db, pgx.TxOptions{IsoLevel: pgx.ReadCommitted}, func(tx pgx.Tx) error {
		if _, err := eventlog.LockEmpty(ctx, tx, checked.Book, tables...); err != nil {
			return err
		}
		return restore(ctx, tx, file, checked)
	})
	if err != nil {
		return Checked{}, fmt.Errorf("restore: nothing was written: %w", err)
	}
	return checked, nil
}

func restore(ctx context.Context, tx pgx.Tx, file io.ReadSeeker, checked Checked) error {
	if _, err := file.Seek(0, io.SeekStart); err != nil {
		return fmt.Errorf("read the file: %w", err)
	}
	tables, err := projections.Fill(ctx, tx, checked.corrections)
	if err != nil {
		return err
	}
	r := &restoring{ctx: ctx, tx: tx, checked: checked, tables: tables}
	records := export.NewReader(file)
	for {
		record, err := records.Next()
		if errors.Is(err, io.EOF) {
			break
		}
		if err == nil {
			err = r.take(record)
		}
		if err != nil {
			return err
		}
	}
	if r.tree.Size() != checked.Position || r.tree.Root() != checked.Tree {
		return errors.New("the file was changed while it was being read")
	}
	return tables.Finish(ctx)
}

// restoring is a book on its way into a database. A chunk's worth of it is held until it is written.
type restoring struct {
	ctx     context.Context
	tx      pgx.Tx
	checked Checked
	tables  *projections.Filling

	rows     []eventlog.Row
	recorded []events.Recorded
	answers  []eventlog.Answered
	tree     seal.Tree
	hashes   []seal.Hash // that the sealing of rows made
	hashed   int64       // index of hashes[0]
}

func (r *restoring) take(record export.Record) error {
	switch record := record.(type) {
	case export.Event:
		return r.event(record)
	case export.Answer:
		a := eventlog.Answered{
			Key: record.Key, RequestHash: record.RequestHash, Status: record.Status, Body: []byte(record.Body), FirstPosition: record.Position, RecordedAt: record.RecordedAt,
		}
		if a.FirstPosition > 0 {
			a.Command = r.rows[len(r.rows)-1].ID
		}
		r.answers = append(r.answers, a)
	case export.Row:
		return writeRow(r.ctx, r.tx, record)
	case export.Checkpoint:
		if err := r.flush(); err != nil {
			return err
		}
		return sealer.Keep(r.ctx, r.tx, sealer.Signed{Size: r.checked.Sealed, Note: []byte(record.Note), SignedAt: record.SignedAt})
	case export.Head:
		return r.head(record)
	}
	return nil
}

func (r *restoring) event(e export.Event) error {
	if len(r.rows) == export.ChunkEvents {
		if err := r.flush(); err != nil {
			return err
		}
	}
	row, recorded, err := eventlog.RowOf(bytes.Clone(e.Canonical))
	if err != nil {
		return err
	}
	r.rows, r.recorded = append(r.rows, row), append(r.recorded, recorded)
	made := r.tree.Add(nil, seal.Leaf(e.Canonical))
	if r.tree.Size() <= r.checked.Sealed { // what comes after them, the next sealing stores
		r.hashes = append(r.hashes, made...)
	}
	return nil
}

// flush writes what is held, and folds it.
func (r *restoring) flush() error {
	if err := eventlog.CopyRows(r.ctx, r.tx, r.rows, r.answers); err != nil {
		return err
	}
	if err := sealer.CopyHashes(r.ctx, r.tx, r.hashed, r.hashes); err != nil {
		return err
	}
	for _, recorded := range r.recorded {
		if err := r.tables.Take(r.ctx, recorded); err != nil {
			return err
		}
	}
	r.hashed = tlog.StoredHashIndex(0, r.tree.Size())
	r.rows, r.recorded, r.answers, r.hashes = r.rows[:0], r.recorded[:0], r.answers[:0], r.hashes[:0]
	return nil
}

func (r *restoring) head(head export.Head) error {
	if err := r.flush(); err != nil {
		return err
	}
	return eventlog.SetHead(r.ctx, r.tx, eventlog.Head{
		Position: head.Position, RecordedAt: head.RecordedAt, DefinitionsAt: head.DefinitionsAt, Book: r.checked.Book, ManualNow: head.ManualNow,
	})
}
