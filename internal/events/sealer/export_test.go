package sealer

import (
	"context"

	"github.com/jackc/pgx/v5"
)

// BeforeSigning does something in the transaction of every sealing, when the hashes are written and nothing is signed.
func (s *Sealer) BeforeSigning(do func(context.Context, pgx.Tx) error) { s.signing = do }
