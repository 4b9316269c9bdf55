// Package backup carries a book away into a file of package export, and puts it from one into an empty database. What can
// be derived is not in the file: it is folded from the log again.
package backup

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"

	"github.com/jackc/pgx/v5"

	"firstout/internal/events/eventlog"
	"firstout/internal/events/export"
	"firstout/internal/events/seal"
	"firstout/internal/events/sealer"
)

// A DB begins transactions: a pool or a connection.
type DB interface {
	BeginTx(ctx context.Context, options pgx.TxOptions) (pgx.Tx, error)
}

// Report says what is in a file.
type Report struct {
	Book     string // real, demo or test
	Position int64  // of the newest event
	Answers  int64  // first answers to idempotency keys
	Keys     int    // API keys
	Sealed   int64  // events that the checkpoint in the file vouches for; 0: there is none
	Kept     int64  // position up to which an older file was gone on with
}

func (r *Report) count(row export.Row) {
	if row.Table == "api_keys" {
		r.Keys++
	}
}

// old is a file that is gone on with.
type old struct {
	file *os.File // nil: what is kept stands already where the rest is written
	kept *export.Kept
}

// Write writes the book as it stands at one moment. Writers and readers of the book go on meanwhile; nothing of the book
// is held in memory, however large it is.
func Write(ctx context.Context, db DB, to io.Writer) (Report, error) {
	return write(ctx, db, to, old{})
}

// write goes on with an older file of the same book, if there is one, of which it copies what can be kept.
func write(ctx context.Context, db DB, to io.Writer, older old) (report Report, err error) {
	err = pgx.BeginTxFunc(ctx, db, pgx.TxOptions{IsoLevel: pgx.RepeatableRead, AccessMode: pgx.ReadOnly}, func(tx pgx.Tx) error {
		if err := eventlog.Unhurried(ctx, tx); err != nil {
			return err
		}
		head, err := eventlog.ReadHead(ctx, tx)
		if err != nil {
			return err
		}
		w, err := begin(ctx, tx, to, older, head)
		if err != nil {
			return err
		}
		report = Report{Book: head.Book, Position: head.Position}
		if older.kept != nil {
			report.Kept, report.Answers = older.kept.Position, older.kept.Answers
		}
		if err := writeLog(ctx, tx, w, &report); err != nil {
			return err
		}
		return writeRest(ctx, tx, w, head, &report)
	})
	if err != nil {
		return Report{}, fmt.Errorf("backup: %w", err)
	}
	return report, nil
}

// begin writes the beginning of the file, or copies what is kept of an older one.
func begin(ctx context.Context, tx pgx.Tx, to io.Writer, older old, head eventlog.Head) (*export.Writer, error) {
	if older.kept == nil {
		return export.NewWriter(to, export.Book{Book: head.Book, Epoch: head.Epoch})
	}
	if err := sameBook(ctx, tx, older.kept, head); err != nil {
		return nil, err
	}
	if older.file != nil {
		if _, err := older.file.Seek(0, io.SeekStart); err != nil {
			return nil, err
		}
		if _, err := io.CopyN(to, older.file, older.kept.Bytes); err != nil {
			return nil, fmt.Errorf("copy what is kept of the older file: %w", err)
		}
	}
	return export.Continue(to, older.kept), nil
}

// An OtherBookError says that an older file is not the beginning of the book.
type OtherBookError struct {
	Why        string
	unfinished bool // it is what an earlier try has left
}

func (e *OtherBookError) Error() string {
	return "the older file is no beginning of this book (" + e.Why + "): keep it, and write a new one under another name"
}

func sameBook(ctx context.Context, tx pgx.Tx, kept *export.Kept, head eventlog.Head) error {
	switch {
	case kept.Book.Epoch != head.Epoch:
		return &OtherBookError{Why: "it is of another book, or of this one before it was restored"}
	case kept.Book.Book != head.Book:
		return &OtherBookError{Why: "it was written before the book was first served"}
	case kept.Last > head.Position:
		return &OtherBookError{Why: fmt.Sprintf("it goes to %d and the book to %d", kept.Last, head.Position)}
	case kept.Last == 0:
		return nil
	}
	rows, err := eventlog.ReadRows(ctx, tx, kept.Last-1, 1)
	if err != nil {
		return err
	}
	if len(rows) != 1 || seal.Leaf(rows[0].Canonical) != kept.Leaf {
		return &OtherBookError{Why: fmt.Sprintf("at position %d it has another event", kept.Last)}
	}
	return nil
}

func writeLog(ctx context.Context, tx pgx.Tx, w *export.Writer, report *Report) error {
	position := report.Kept
	return eventlog.Carry(ctx, tx, position, func(canonical []byte, answer *eventlog.Answered) error {
		position++
		if err := w.Event(position, canonical); err != nil {
			return err
		}
		if answer == nil {
			return nil
		}
		report.Answers++
		return w.Answer(answerOf(*answer))
	})
}

func writeRest(ctx context.Context, tx pgx.Tx, w *export.Writer, head eventlog.Head, report *Report) error {
	answers, all, err := eventlog.AnswersWithoutEvents(ctx, tx)
	if err != nil {
		return err
	}
	if report.Answers += int64(len(answers)); report.Answers != all {
		return fmt.Errorf("of the answers to idempotency keys %d are there and %d stand beside the events that they belong to", all, report.Answers)
	}
	var records []export.Record
	for _, a := range answers {
		records = append(records, answerOf(a))
	}
	rows, err := rowsOf(ctx, tx)
	if err != nil {
		return err
	}
	checkpoint, err := checkpointOf(ctx, tx)
	if err != nil {
		return err
	}
	records = append(append(records, rows...), checkpoint...)
	for _, r := range records {
		switch r := r.(type) {
		case export.Row:
			report.count(r)
		case export.Checkpoint:
			c, err := seal.Peek([]byte(r.Note))
			if err != nil {
				return err
			}
			report.Sealed = c.Size
		}
	}
	if err := w.Rest(records...); err != nil {
		return err
	}
	return w.End(export.Head{
		Position: head.Position, RecordedAt: head.RecordedAt, DefinitionsAt: head.DefinitionsAt, ManualNow: head.ManualNow,
	})
}

// checkpointOf gives the newest checkpoint, none of a book that was never sealed.
func checkpointOf(ctx context.Context, tx pgx.Tx) ([]export.Record, error) {
	signed, found, err := sealer.Newest(ctx, tx)
	if err != nil || !found {
		return nil, err
	}
	return []export.Record{export.Checkpoint{Note: string(signed.Note), SignedAt: signed.SignedAt}}, nil
}

func answerOf(a eventlog.Answered) export.Answer {
	return export.Answer{
		Key: a.Key, RequestHash: a.RequestHash, Status: a.Status, Body: string(a.Body), Position: a.FirstPosition, RecordedAt: a.RecordedAt,
	}
}

// keepable reads a file, finished or cut off, to see what of it can be gone on with; nil: nothing.
func keepable(file io.Reader) (*export.Kept, error) {
	r := export.NewReader(file)
	var err error
	for err == nil {
		_, err = r.Next()
	}
	if early := new(export.CutError); errors.Is(err, io.EOF) || errors.As(err, &early) {
		return r.Kept(), nil
	}
	return nil, err
}
