package book

import (
	"errors"
	"slices"
	"strings"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"
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

// These SQLSTATE codes and classes (PostgreSQL manual, appendix A) are no fault of what was sent.
var (
	passing     = []string{"40001", "40P01"}                    // serialization_failure, deadlock_detected
	unavailable = []string{"25006", "25P03", "55P03", "57014"}  // read-only (a replica), idle for too long, lock or statement timeout
	outOfReach  = []string{"08", "28", "3D", "53", "57P", "58"} // connection, log-in, no database, resources, shut down, its system
)

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
	if !errors.As(err, &refused) {
		return ours
	}
	switch {
	case slices.Contains(passing, refused.Code):
		return mayPass
	case slices.Contains(unavailable, refused.Code):
		return away
	case slices.ContainsFunc(outOfReach, func(class string) bool { return strings.HasPrefix(refused.Code, class) }):
		return away
	}
	return ours
}
