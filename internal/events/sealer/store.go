package sealer

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"
	"golang.org/x/mod/sumdb/tlog"

	"firstout/internal/events/eventlog"
	"firstout/internal/events/seal"
)

// Hashes are those that sealings stored, read all at once by one query.
type Hashes struct {
	ctx context.Context
	q   eventlog.Querier
}

// StoredHashes gives the hashes in a database for as long as a context lasts.
func StoredHashes(ctx context.Context, q eventlog.Querier) Hashes { return Hashes{ctx, q} }

// ReadHashes makes them a seal.Reader.
func (h Hashes) ReadHashes(indexes []int64) ([]seal.Hash, error) {
	rows, err := h.q.Query(h.ctx, `SELECT idx, hash FROM seal_hashes WHERE idx = ANY($1)`, indexes)
	if err != nil {
		return nil, fmt.Errorf("read hashes: %w", err)
	}
	found := make(map[int64]seal.Hash, len(indexes))
	var index int64
	var hash []byte
	if _, err := pgx.ForEachRow(rows, []any{&index, &hash}, func() error {
		found[index] = seal.Hash(hash)
		return nil
	}); err != nil {
		return nil, fmt.Errorf("read hashes: %w", err)
	}
	hashes := make([]seal.Hash, len(indexes))
	for i, index := range indexes {
		h, is := found[index]
		if !is {
			return nil, fmt.Errorf("read hashes: the one of index %d is missing", index)
		}
		hashes[i] = h
	}
	return hashes, nil
}

// firstIndex is where the hashes of a leaf and what it completes begin.
func firstIndex(leaf int64) int64 { return tlog.StoredHashIndex(0, leaf) }

// ahead are stored hashes with those after them that are about to be.
type ahead struct {
	before Hashes
	first  int64 // index of hashes[0]
	hashes []seal.Hash
}

// ReadHashes makes it a seal.Reader.
func (a *ahead) ReadHashes(indexes []int64) ([]seal.Hash, error) {
	var old []int64
	for _, i := range indexes {
		if i < a.first {
			old = append(old, i)
		}
	}
	before, err := a.before.ReadHashes(old)
	if err != nil {
		return nil, err
	}
	hashes := make([]seal.Hash, 0, len(indexes))
	for _, i := range indexes {
		if i < a.first {
			hashes, before = append(hashes, before[0]), before[1:]
		} else {
			hashes = append(hashes, a.hashes[i-a.first])
		}
	}
	return hashes, nil
}

func insertHashes(ctx context.Context, tx pgx.Tx, first int64, hashes []seal.Hash) error {
	all := make([][]byte, len(hashes))
	for i := range hashes {
		all[i] = hashes[i][:]
	}
	_, err := tx.Exec(ctx, `
INSERT INTO seal_hashes (idx, hash)
SELECT $1 + number - 1, hash FROM unnest($2::bytea[]) WITH ORDINALITY AS made (hash, number)`, first, all)
	if err != nil {
		return fmt.Errorf("store hashes from index %d on: %w", first, err)
	}
	return nil
}

func insertCheckpoint(ctx context.Context, tx pgx.Tx, c seal.Checkpoint, note []byte) error {
	_, err := tx.Exec(ctx, `INSERT INTO checkpoints (size, root, note) VALUES ($1, $2, $3)`, c.Size, c.Root[:], string(note))
	if err != nil {
		return fmt.Errorf("store the checkpoint of size %d: %w", c.Size, err)
	}
	return nil
}

// A Signed checkpoint is one as it is kept.
type Signed struct {
	Size     int64
	Note     []byte // the signed note
	SignedAt time.Time
}

// Newest gives the checkpoint that was signed last; found says whether there is one.
func Newest(ctx context.Context, q eventlog.Querier) (newest Signed, found bool, err error) {
	return readSigned(q.QueryRow(ctx, `SELECT size, note, signed_at FROM checkpoints ORDER BY size DESC LIMIT 1`))
}

// OfSize gives the checkpoint that was signed of a size; found says whether one was.
func OfSize(ctx context.Context, q eventlog.Querier, size int64) (of Signed, found bool, err error) {
	return readSigned(q.QueryRow(ctx, `SELECT size, note, signed_at FROM checkpoints WHERE size = $1`, size))
}

func readSigned(row pgx.Row) (Signed, bool, error) {
	var s Signed
	var note string
	err := row.Scan(&s.Size, &note, &s.SignedAt)
	if errors.Is(err, pgx.ErrNoRows) {
		return Signed{}, false, nil
	}
	if err != nil {
		return Signed{}, false, fmt.Errorf("read a checkpoint: %w", err)
	}
	s.Note, s.SignedAt = []byte(note), s.SignedAt.UTC()
	return s, true, nil
}

// Root gives the root of the sealed log when it had a size.
func Root(ctx context.Context, q eventlog.Querier, size int64) (seal.Hash, error) {
	tree, err := seal.Resume(size, StoredHashes(ctx, q))
	if err != nil {
		return seal.Hash{}, err
	}
	return tree.Root(), nil
}
