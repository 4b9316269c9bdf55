package main

import (
	"bytes"
	"errors"
	"io"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"
)

// TestABookIsLostAndRestored backs a book up while it is served, checks the file as an auditor does, loses the book, and
// goes on with the file in another place.
func TestABookIsLostAndRestored(t *testing.T) {
	t.Parallel()
	environ := environment(t)
	base, _, stop := serving(t, environ, "--book", "test")
	secret := key(t, environ, "me", "owner")
	putMould(t, base, secret, "dome-24")
	file := filepath.Join(t.TempDir(), "book.export")
	told, err := said(t, environ, "backup", "--to", file)
	require.NoError(t, err)
	require.Contains(t, told, "holds the test book up to position 1, 0 answers to idempotency keys and the hashes of 1 API keys")
	stop()

	verifier, signed := sealNow(t, environ)
	told, err = said(t, environ, "backup", "--to", file)
	require.NoError(t, err)
	require.Contains(t, told, "a signed checkpoint vouches for all of it")
	piped, err := said(t, environ, "backup")
	require.NoError(t, err)
	require.Equal(t, string(must(os.ReadFile(file))), piped, "standard output has nothing but the file")

	// The auditor has a file, a key, and no database.
	nowhere := []string{"PATH=", "FIRSTOUT_DATA=/nonexistent"}
	told, err = said(t, nowhere, "verify", "--offline", file, "--key", verifier)
	require.NoError(t, err)
	require.Contains(t, told, "every byte is as it was written, and no event is missing: 1 events of a test book")
	require.Contains(t, told, "its signature is that of the key given")
	told, err = said(t, nowhere, "verify", "--offline", file)
	require.NoError(t, err)
	require.Contains(t, told, "its signature was not looked at")
	checkpoint := filepath.Join(t.TempDir(), "checkpoint")
	require.NoError(t, os.WriteFile(checkpoint, []byte(signed), 0o600))
	told, err = said(t, nowhere, "verify", "--offline", file, "--key", verifier, "--checkpoint", checkpoint)
	require.NoError(t, err)
	require.Contains(t, told, "it goes on from the 1 checkpoints that were kept elsewhere")
	_, err = said(t, nowhere, "verify", "--offline", file, "--checkpoint", checkpoint)
	require.ErrorContains(t, err, "--checkpoint needs --key")
	altered := filepath.Join(t.TempDir(), "altered")
	require.NoError(t, os.WriteFile(altered, bytes.Replace(must(os.ReadFile(file)), []byte{0xff}, []byte{0xfe}, 1), 0o600))
	_, err = said(t, nowhere, "verify", "--offline", altered)
	require.ErrorContains(t, err, "position 1 is the first that is not as it was written")

	// Another machine.
	other := environment(t)
	_, err = said(t, other, "restore", altered)
	require.ErrorContains(t, err, "nothing was written")
	_, err = said(t, other, "restore")
	require.ErrorContains(t, err, "restore takes a FILE")
	told, err = said(t, other, "restore", file, "--key", verifier)
	require.NoError(t, err)
	require.Contains(t, told, "restored the test book up to position 1")
	require.Contains(t, told, "its signature is that of the key given")
	_, err = said(t, other, "restore", file)
	require.ErrorContains(t, err, "has a book already")
	require.NoError(t, os.WriteFile(filepath.Join(dataOf(other), sealKeyFile), must(os.ReadFile(filepath.Join(dataOf(environ), sealKeyFile))), 0o600))
	base, _, stop = serving(t, other, "--book", "test")
	putMould(t, base, secret, "dome-28") // with the key of before
	status, body := get(t, base+"/v1/moulds/dome-24", secret)
	require.Equal(t, http.StatusOK, status, body)
	stop()
	again, _ := sealNow(t, other)
	require.Equal(t, verifier, again, "sealing goes on with the key of before")
	told, err = said(t, other, "verify", "--key", verifier, "--checkpoint", checkpoint)
	require.NoError(t, err)
	require.Contains(t, told, "2 of them are sealed and not altered since: 3 checkpoints agree, 1 of them from outside")

	// The file is the end of the old book's line: the new one has a file of its own.
	_, err = said(t, other, "backup", "--to", file)
	require.ErrorContains(t, err, "or of this one before it was restored")
	told, err = said(t, other, "epoch", "new")
	require.NoError(t, err)
	require.Regexp(t, `^epoch [0-9a-f-]{36} has begun`, told)
	_, err = said(t, other, "epoch", "old")
	require.ErrorContains(t, err, "epoch takes new")
}

// TestAnOlderProgramStopsAtTheStart: an event of a later version than this program knows is named before anything is done.
func TestAnOlderProgramStopsAtTheStart(t *testing.T) {
	t.Parallel()
	environ := environment(t)
	base, _, stop := serving(t, environ, "--book", "test")
	putMould(t, base, key(t, environ, "me", "owner"), "dome-24")
	stop()
	asOwner(t, environ, `INSERT INTO log
		SELECT 2, gen_random_uuid(), 'pieces_sold', 9, occurred_at, recorded_at, actor, site, key, command, canonical FROM log`)
	for _, command := range []string{"serve", "rebuild", "backup"} {
		err := run(t.Context(), []string{command}, environ, io.Discard)
		require.ErrorContains(t, err, "position 2: event pieces_sold version 9 is not known to this program: use a newer one", command)
		require.NotContains(t, err.Error(), "\n")
	}
}

// sealNow serves the book until all of it is sealed, and gives the public key and the newest checkpoint.
func sealNow(t *testing.T, environ []string) (verifier, checkpoint string) {
	t.Helper()
	_, out, stop := serving(t, environ, "--book", "test")
	defer stop()
	verifier = out.wait(t, `"msg":"the log is sealed","verifier_key":"([^"]+)"`)[1]
	require.NoError(t, withDatabase(t.Context(), subcommand{name: "migrate"}, nil, environ, io.Discard, func(db *database) error {
		for sealed := false; !sealed; {
			err := db.pool.QueryRow(t.Context(), "SELECT size = position, note FROM head, checkpoints ORDER BY size DESC LIMIT 1").Scan(&sealed, &checkpoint)
			if err != nil && !errors.Is(err, pgx.ErrNoRows) {
				return err
			}
		}
		return nil
	}))
	return verifier, checkpoint
}

func dataOf(environ []string) string {
	for _, v := range environ {
		if folder, is := strings.CutPrefix(v, "FIRSTOUT_DATA="); is {
			return folder
		}
	}
	return ""
}

func must[T any](value T, err error) T {
	if err != nil {
		panic(err)
	}
	return value
}
