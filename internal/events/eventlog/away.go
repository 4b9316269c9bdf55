package eventlog

import (
	"errors"
	"io"
	"net"
	"slices"
	"strings"

	"github.com/jackc/pgx/v5/pgconn"
)

// These SQLSTATE codes and classes (PostgreSQL manual, appendix A) are no fault of what was sent.
var (
	unavailable = []string{"25006", "25P03", "55P03", "57014"}  // read-only (a replica), idle for too long, lock or statement timeout
	outOfReach  = []string{"08", "28", "3D", "53", "57P", "58"} // connection, log-in, no database, resources, shut down, its system
)

// Away says whether an error means that the database is out of reach, too busy, or went away while it was asked: the same may be asked
// again in a moment. Whether something sent to be committed was, it does not say. Any other error is of what was sent.
func Away(err error) bool {
	if refused := new(pgconn.PgError); errors.As(err, &refused) {
		return slices.Contains(unavailable, refused.Code) ||
			slices.ContainsFunc(outOfReach, func(class string) bool { return strings.HasPrefix(refused.Code, class) })
	}
	var (
		connect *pgconn.ConnectError
		network *net.OpError
	)
	// A server that dies in the middle of an answer is heard of as an end of what it sends, or as a connection that is reset. Where the
	// connection was found dead before anything was sent, pgconn says that it is safe to try again.
	return errors.As(err, &connect) || errors.As(err, &network) || errors.Is(err, io.ErrUnexpectedEOF) || pgconn.SafeToRetry(err)
}
