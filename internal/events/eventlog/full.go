package eventlog

import (
	"errors"

	"github.com/jackc/pgx/v5/pgconn"
)

// Full says whether PostgreSQL had no room to write what it was sent (53100, disk_full).
func Full(err error) bool {
	refused := new(pgconn.PgError)
	return errors.As(err, &refused) && refused.Code == "53100"
}
