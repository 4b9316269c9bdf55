package backup_test

import (
	"bytes"
	"context"
	"errors"
	"os"
	"path/filepath"
	"testing"

	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"

	"firstout/internal/backup"
	"firstout/internal/events/eventlog"
	"firstout/internal/events/export"
)

func read(t testing.TB, path string) []byte {
	t.Helper()
	file, err := os.ReadFile(path)
	require.NoError(t, err)
	return file
}

// TestAFileIsBroughtUpToDate: what is in it stays, and it is the file that would have been written at once.
func TestAFileIsBroughtUpToDate(t *testing.T) {
	t.Parallel()
	db := written(t, 12, 1)
	path := filepath.Join(t.TempDir(), "book.export")
	first, err := backup.ToFile(t.Context(), db.App, path, "")
	require.NoError(t, err)
	require.Zero(t, first.Kept)
	require.NoFileExists(t, path+".part")
	info, err := os.Stat(path)
	require.NoError(t, err)
	require.Equal(t, os.FileMode(0o600), info.Mode().Perm(), "nobody else reads it")

	hold(t, db)
	sealed(t, db)
	second, err := backup.ToFile(t.Context(), db.App, path, "")
	require.NoError(t, err)
	require.EqualValues(t, export.ChunkEvents, second.Kept)
	require.Equal(t, first.Position+1, second.Position)
	require.Equal(t, second.Position, second.Sealed)
	require.Equal(t, fileOf(t, db), read(t, path))

	// From an older file, which stays as it is.
	hold(t, db)
	older := read(t, path)
	newer := filepath.Join(t.TempDir(), "newer.export")
	_, err = backup.ToFile(t.Context(), db.App, newer, path)
	require.NoError(t, err)
	require.Equal(t, older, read(t, path))
	require.Equal(t, fileOf(t, db), read(t, newer))
	var out bytes.Buffer
	_, err = backup.WriteFrom(t.Context(), db.App, &out, path)
	require.NoError(t, err)
	require.Equal(t, fileOf(t, db), out.Bytes())

	// What an earlier try has left is gone on with, wherever it was cut; what is nobody's is written anew.
	whole := read(t, newer)
	for _, left := range [][]byte{nil, whole[:10], whole[:len(whole)/2], whole[:len(whole)-3], whole, []byte("no export"), append(bytes.Clone(whole[:len(whole)/2]), make([]byte, 5000)...)} {
		require.NoError(t, os.WriteFile(newer+".part", left, 0o600))
		_, err = backup.ToFile(t.Context(), db.App, newer, "")
		require.NoError(t, err)
		require.Equal(t, whole, read(t, newer))
		require.NoFileExists(t, newer+".part")
	}
}

// TestAnUnfinishedFileIsGoneOnWith ends a backup half-way and takes it up again.
func TestAnUnfinishedFileIsGoneOnWith(t *testing.T) {
	t.Parallel()
	db := written(t, 24, 6)
	path := filepath.Join(t.TempDir(), "book.export")
	_, err := backup.ToFile(t.Context(), breaksAfter{db.App, 2000}, path, "")
	require.ErrorIs(t, err, errBroken)
	require.NoFileExists(t, path)
	require.NotEmpty(t, read(t, path+".part"))
	report, err := backup.ToFile(t.Context(), db.App, path, "")
	require.NoError(t, err)
	require.EqualValues(t, export.ChunkEvents, report.Kept)
	require.Equal(t, fileOf(t, db), read(t, path))
}

var errBroken = errors.New("the line is broken")

// breaksAfter is a database whose rows end after so many.
type breaksAfter struct {
	backup.DB
	rows int
}

func (b breaksAfter) BeginTx(ctx context.Context, options pgx.TxOptions) (pgx.Tx, error) {
	tx, err := b.DB.BeginTx(ctx, options)
	return breakingTx{tx, b.rows}, err
}

type breakingTx struct {
	pgx.Tx
	rows int
}

func (tx breakingTx) Query(ctx context.Context, sql string, args ...any) (pgx.Rows, error) {
	rows, err := tx.Tx.Query(ctx, sql, args...)
	return &breakingRows{Rows: rows, left: tx.rows}, err
}

type breakingRows struct {
	pgx.Rows
	left int
}

func (r *breakingRows) Next() bool {
	r.left--
	return r.left > 0 && r.Rows.Next()
}

func (r *breakingRows) Err() error {
	if r.left <= 0 {
		return errBroken
	}
	return r.Rows.Err()
}

// TestAFileOfAnotherBookIsLeftAlone: the tests' databases are copies of one and have one epoch.
func TestAFileOfAnotherBookIsLeftAlone(t *testing.T) {
	t.Parallel()
	one, two := written(t, 2, 1), written(t, 12, 2)
	path := filepath.Join(t.TempDir(), "book.export")
	_, err := backup.ToFile(t.Context(), one.App, path, "")
	require.NoError(t, err)
	file := read(t, path)
	other := new(backup.OtherBookError)
	leftAlone := func(says string) {
		t.Helper()
		_, err := backup.ToFile(t.Context(), two.App, path, "")
		require.ErrorContains(t, err, says)
		require.Equal(t, file, read(t, path))
		require.NoFileExists(t, path+".part")
	}
	_, err = one.Owner.Exec(t.Context(), "UPDATE head SET epoch = 'one'")
	require.NoError(t, err)
	_, err = backup.ToFile(t.Context(), one.App, path, "")
	require.ErrorAs(t, err, &other, "it was restored: what was written since may be gone")
	leftAlone("it has another event") // so short a file has no whole chunk, and is no beginning of the other book all the same

	// The same epoch, but the log is another: a database that was put back without a new epoch.
	three := written(t, 12, 3)
	path = filepath.Join(t.TempDir(), "three.export")
	_, err = backup.ToFile(t.Context(), three.App, path, "")
	require.NoError(t, err)
	file = read(t, path)
	leftAlone("it has another event")
	_, err = eventlog.NewEpoch(t.Context(), two.Owner)
	require.NoError(t, err)
	leftAlone("it is of another book, or of this one before it was restored")

	// What is no file of ours, or altered.
	file = []byte("a letter")
	require.NoError(t, os.WriteFile(path, file, 0o600))
	leftAlone("put it aside")
	file = fileOf(t, two)
	file[len(file)-10] ^= 1
	require.NoError(t, os.WriteFile(path, file, 0o600))
	leftAlone("put it aside")

	// An unfinished file of another book is in nobody's way.
	path = filepath.Join(t.TempDir(), "fresh.export")
	require.NoError(t, os.WriteFile(path+".part", fileOf(t, three), 0o600))
	_, err = backup.ToFile(t.Context(), two.App, path, "")
	require.NoError(t, err)
	require.Equal(t, fileOf(t, two), read(t, path))
}

func TestOneProcessAtATimeWritesAFile(t *testing.T) {
	t.Parallel()
	db := written(t, 1, 1)
	path := filepath.Join(t.TempDir(), "book.export")
	_, err := backup.ToFile(t.Context(), whileOpen{db.App, func() {
		_, err := backup.ToFile(t.Context(), db.App, path, "")
		require.ErrorContains(t, err, "is being written by another process")
	}}, path, "")
	require.NoError(t, err)
	require.Equal(t, fileOf(t, db), read(t, path))
}

// whileOpen does something as soon as a transaction begins.
type whileOpen struct {
	backup.DB
	do func()
}

func (w whileOpen) BeginTx(ctx context.Context, options pgx.TxOptions) (pgx.Tx, error) {
	w.do()
	return w.DB.BeginTx(ctx, options)
}
