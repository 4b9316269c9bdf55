package sealer

import (
	"context"

	"github.com/jackc/pgx/v5"

	"firstout/internal/events"
)

// BeforeSigning does something in the transaction of every sealing, when the hashes are written and nothing is signed.
func (s *Sealer) BeforeSigning(do func(context.Context, pgx.Tx) error) { s.signing = do }

// Kept is a row of the table of codes.
type Kept = concerned

// HoldCodes holds the rows of the table against what the events from 1 on say.
func HoldCodes(kept []Kept, said ...[]events.Code) error {
	c := &codes{ended: true, page: kept}
	for i, codes := range said {
		if err := c.hold(int64(i+1), codes); err != nil {
			return err
		}
	}
	return c.end()
}
