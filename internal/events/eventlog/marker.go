package eventlog

import (
	"context"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"
)

// What kind of book a database holds. The first start says it, and then it stays so: what was made up for a demo can
// never be taken for what happened.
const (
	BookReal = "real"
	BookDemo = "demo"
	BookTest = "test"
)

// OtherBookError says that a database holds another kind of book than the start asked for.
type OtherBookError struct {
	Is, Wanted string
}

// Error says what to do about it.
func (e *OtherBookError) Error() string {
	return fmt.Sprintf("this database holds a %s book for ever and cannot be used as a %s book: name another database or data folder", e.Is, e.Wanted)
}

// MarkBook says what kind of book this is, if nobody has yet, and is an *OtherBookError if somebody has said otherwise.
func MarkBook(ctx context.Context, db DB, book string) error {
	if _, err := db.Exec(ctx, `UPDATE head SET book = $1 WHERE book IS NULL`, book); err != nil {
		return fmt.Errorf("mark the book as %s: %w", book, err)
	}
	head, err := ReadHead(ctx, db)
	if err != nil {
		return err
	}
	if head.Book != book {
		return &OtherBookError{Is: head.Book, Wanted: book}
	}
	return nil
}

// QueueSetManualClock lets the manual clock stand at an instant. The database refuses it in a real book and an
// instant before the one it stands at.
func QueueSetManualClock(b *pgx.Batch, now time.Time) {
	b.Queue(`UPDATE head SET manual_now = $1`, now)
}
