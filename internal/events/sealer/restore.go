package sealer

import (
	"context"
	"fmt"

	"github.com/jackc/pgx/v5"

	"firstout/internal/events/seal"
)

// CopyHashes stores hashes of a tree from an index on, for a log that is put into an empty database.
func CopyHashes(ctx context.Context, tx pgx.Tx, first int64, hashes []seal.Hash) error {
	_, err := tx.CopyFrom(ctx, pgx.Identifier{"seal_hashes"}, []string{"idx", "hash"}, pgx.CopyFromSlice(len(hashes), func(i int) ([]any, error) {
		return []any{first + int64(i), hashes[i][:]}, nil
	}))
	if err != nil {
		return fmt.Errorf("store hashes from index %d on: %w", first, err)
	}
	return nil
}

// Keep keeps a checkpoint that was signed before as the last one: the next is proved to go on from it. The hashes of its
// size must be stored.
func Keep(ctx context.Context, tx pgx.Tx, s Signed) error {
	c, err := seal.Peek(s.Note)
	if err != nil {
		return err
	}
	_, err = tx.Exec(ctx, `INSERT INTO checkpoints (size, root, note, signed_at) VALUES ($1, $2, $3, $4)`, c.Size, c.Root[:], string(s.Note), s.SignedAt)
	if err != nil {
		return fmt.Errorf("store the checkpoint of size %d: %w", c.Size, err)
	}
	return nil
}
