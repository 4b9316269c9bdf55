package book

import (
	"errors"
	"slices"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"

	"firstout/internal/events/eventlog"
)

// lostError is the end of a connection at a time when nothing had been sent to be committed.
type lostError struct {
	err  error
	away bool // the database could not be reached, or not be heard in time: trying at once again is no use
}

func (e *lostError) Error() string { return e.err.Error() }
func (e *lostError) Unwrap() error { return e.err }

var (
	// errCommitUnknown says that a commit was sent and its outcome not heard.
	errCommitUnknown = errors.New("the connection was lost while committing")
	// errNotCommitted says that it is known by now that nothing of the group was written.
	errNotCommitted = errors.New("the group was not committed")
)

// commitError tells the errors that PostgreSQL gave before it committed from those after which nobody knows. An
// ordinary error ends the transaction, and the commit behind it is not carried out; a fatal one ends the session, at
// whatever point it had got to. A transaction that is still open was not committed.
func commitError(conn *pgx.Conn, err error) error {
	if err == nil {
		return nil
	}
	refused := new(pgconn.PgError)
	ordinary := errors.As(err, &refused) && refused.SeverityUnlocalized == "ERROR"
	if ordinary || errors.Is(err, errNotCommitted) || !conn.IsClosed() && conn.PgConn().TxStatus() != 'I' {
		return err
	}
	return errors.Join(errCommitUnknown, err)
}

// fate is what to do about a group that failed.
type fate int

const (
	ours    fate = iota // the database refused what was decided, or this program erred: a fault
	mayPass             // try again
	away                // the database is out of reach or too busy
)

// passing are SQLSTATE codes (PostgreSQL manual, appendix A) of what succeeds when it is tried again at once.
var passing = []string{"40001", "40P01"} // serialization_failure, deadlock_detected

func fateOf(err error) fate {
	lost := new(lostError)
	switch {
	case errors.Is(err, errCommitUnknown):
		return away
	case errors.Is(err, errNotCommitted):
		return mayPass
	case errors.As(err, &lost) && lost.away:
		return away
	case errors.As(err, &lost):
		return mayPass
	}
	refused := new(pgconn.PgError)
	switch {
	case errors.As(err, &refused) && slices.Contains(passing, refused.Code):
		return mayPass
	case eventlog.Away(err):
		return away
	}
	return ours
}
