package main

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgxpool"
	"github.com/stretchr/testify/require"

	"firstout/internal/events/seal"
)

// putMould writes one event.
func putMould(t *testing.T, base, key, slug string) {
	t.Helper()
	request, err := http.NewRequestWithContext(t.Context(), http.MethodPut, base+"/v1/moulds/"+slug, strings.NewReader(`{"name":"Dome","cavities":24}`))
	require.NoError(t, err)
	request.Header.Set("Authorization", "Bearer "+key)
	request.Header.Set("Content-Type", "application/json")
	response, err := http.DefaultClient.Do(request)
	require.NoError(t, err)
	require.NoError(t, response.Body.Close())
	require.Equal(t, http.StatusCreated, response.StatusCode)
}

// said runs a command to its end.
func said(t *testing.T, environ []string, args ...string) (string, error) {
	t.Helper()
	var out bytes.Buffer
	err := run(t.Context(), args, environ, &out)
	return out.String(), err
}

// asOwner changes the book in a private PostgreSQL as whoever owns its tables can.
func asOwner(t *testing.T, environ []string, sql ...string) {
	t.Helper()
	require.NoError(t, withDatabase(t.Context(), subcommand{name: "migrate"}, nil, environ, io.Discard, func(db *database) error {
		return db.asOwner(t.Context(), func(pool *pgxpool.Pool) error {
			return pgx.BeginFunc(t.Context(), pool, func(tx pgx.Tx) error {
				for _, s := range append([]string{"ALTER TABLE log DISABLE TRIGGER USER"}, sql...) {
					if _, err := tx.Exec(t.Context(), s); err != nil {
						return err
					}
				}
				return nil
			})
		})
	}))
}

// serving starts serve, and gives its address, what it says and what stops it.
func serving(t *testing.T, environ []string, args ...string) (base string, out *lines, stop func()) {
	t.Helper()
	ctx, cancel := context.WithCancel(t.Context())
	out, ended := newLines(), make(chan error, 1)
	go func() { ended <- run(ctx, append([]string{"serve"}, args...), environ, out) }()
	base = "http://" + out.wait(t, `"msg":"serving","address":"([^"]+)"`)[1]
	return base, out, func() {
		cancel()
		require.NoError(t, <-ended)
	}
}

// TestASealedBooksLife: a private book gets a key, is sealed, and hands its checkpoint out; an auditor who has that and
// the public key finds out whoever changes an event afterwards, and which one it is.
func TestASealedBooksLife(t *testing.T) {
	t.Parallel()
	handed := make(chan string, 100)
	outside := httptest.NewServer(http.HandlerFunc(func(_ http.ResponseWriter, r *http.Request) {
		body, _ := io.ReadAll(r.Body)
		handed <- string(body)
	}))
	t.Cleanup(outside.Close)
	environ := environment(t, "FIRSTOUT_CHECKPOINT_WEBHOOK="+outside.URL, "FIRSTOUT_CHECKPOINT_WEBHOOK_LOOPBACK=true")
	data := strings.TrimPrefix(environ[1], "FIRSTOUT_DATA=")
	base, out, stop := serving(t, environ, "--book", "test")
	verifier := out.wait(t, `"msg":"the log is sealed","verifier_key":"([^"]+)"`)[1]
	info, err := os.Stat(filepath.Join(data, sealKeyFile))
	require.NoError(t, err)
	require.Equal(t, os.FileMode(0o600), info.Mode().Perm())

	owner := key(t, environ, "me", "owner")
	status, body := get(t, base+"/v1/log/key", owner)
	require.Equal(t, http.StatusOK, status)
	require.Equal(t, verifier+"\n", body)
	for i := range 3 {
		putMould(t, base, owner, fmt.Sprint("dome-", i))
	}
	known, err := seal.ParseVerifier(verifier)
	require.NoError(t, err)
	var checkpoint string
	for size := int64(0); size < 3; { // a checkpoint of the first of them may come first
		checkpoint = <-handed
		c, err := seal.Open([]byte(checkpoint), known)
		require.NoError(t, err)
		size = c.Size
	}
	status, body = get(t, base+"/v1/log/checkpoint", owner)
	require.Equal(t, http.StatusOK, status)
	require.Equal(t, checkpoint, body)
	status, body = get(t, base+"/metrics", "")
	require.Equal(t, http.StatusOK, status)
	require.Contains(t, body, "\nfirstout_sealed_position 3\n")
	require.Contains(t, body, "\nfirstout_seal_lag_events 0\n")
	require.Contains(t, body, `firstout_seal_looks_total{outcome="done"}`)

	file := filepath.Join(t.TempDir(), "checkpoint.txt")
	require.NoError(t, os.WriteFile(file, []byte(checkpoint), 0o600))
	told, err := said(t, environ, "verify")
	require.NoError(t, err)
	require.Contains(t, told, "3 of them are sealed and not altered since")
	require.Contains(t, told, "checked with the key firstout/")
	require.Contains(t, told, "one that was kept elsewhere (--checkpoint) proves more")
	told, err = said(t, environ, "verify", "--checkpoint", file, "--key", verifier)
	require.NoError(t, err)
	require.Contains(t, told, "1 of them from outside")
	checkProofOf(t, environ, base, owner, verifier)

	stop()
	asOwner(t, environ, `UPDATE log SET actor = 'nobody', canonical = regexp_replace(canonical, '"actor":"[^"]*"', '"actor":"nobody"') WHERE position = 2`)
	_, err = said(t, environ, "verify", "--checkpoint", file, "--key", verifier)
	require.ErrorContains(t, err, "the book was altered: position 2: ")
	asOwner(t, environ, `DELETE FROM log WHERE position = 3`)
	_, err = said(t, environ, "verify")
	require.ErrorContains(t, err, "position 2: ")

	require.NoError(t, os.Remove(filepath.Join(data, sealKeyFile)))
	_, out, stop = serving(t, environ)
	out.wait(t, `the key of a book that was sealed before must be put back`)
	stop()
	require.NoFileExists(t, filepath.Join(data, sealKeyFile), "nothing is made that was expected to be there")
}

// checkProofOf takes an event and its proof away and checks them without the book.
func checkProofOf(t *testing.T, environ []string, base, owner, verifier string) {
	t.Helper()
	status, body := get(t, base+"/v1/events?after=1&limit=1", owner)
	require.Equal(t, http.StatusOK, status)
	var page struct {
		Events []struct {
			Canonical string `json:"canonical"`
		} `json:"events"`
	}
	require.NoError(t, json.Unmarshal([]byte(body), &page))
	request, err := http.NewRequestWithContext(t.Context(), http.MethodGet, base+"/v1/log/proofs/inclusion?position=2", nil)
	require.NoError(t, err)
	request.Header.Set("Authorization", "Bearer "+owner)
	request.Header.Set("Accept", "text/plain")
	response, err := http.DefaultClient.Do(request)
	require.NoError(t, err)
	proof, err := io.ReadAll(response.Body)
	require.NoError(t, err)
	require.NoError(t, response.Body.Close())
	dir := t.TempDir()
	proofFile, eventFile := filepath.Join(dir, "event-2.tlog-proof"), filepath.Join(dir, "event-2.json")
	require.NoError(t, os.WriteFile(proofFile, proof, 0o600))
	require.NoError(t, os.WriteFile(eventFile, []byte(page.Events[0].Canonical), 0o600))
	told, err := said(t, environ, "verify", "--proof", proofFile, "--event", eventFile, "--key", verifier)
	require.NoError(t, err)
	require.Contains(t, told, "the event stands at position 2 of the first 3 of firstout/")
	require.NoError(t, os.WriteFile(eventFile, []byte(page.Events[0].Canonical+" "), 0o600))
	_, err = said(t, environ, "verify", "--proof", proofFile, "--event", eventFile, "--key", verifier)
	require.ErrorContains(t, err, "not shown to be in the log")
	_, err = said(t, environ, "verify", "--proof", proofFile, "--key", verifier)
	require.ErrorContains(t, err, "together")
}

// TestKeysSeal makes a key in a file, once.
func TestKeysSeal(t *testing.T) {
	t.Parallel()
	file := filepath.Join(t.TempDir(), "book.key")
	told, err := said(t, nil, "keys", "seal", "--name", "seaside.example/book", "--out", file)
	require.NoError(t, err)
	lines := strings.Split(strings.TrimSpace(told), "\n")
	_, err = seal.ParseVerifier(lines[len(lines)-1])
	require.NoError(t, err)
	text, err := os.ReadFile(file)
	require.NoError(t, err)
	key, err := seal.ParseKey(string(text))
	require.NoError(t, err)
	require.Equal(t, lines[len(lines)-1], key.Verifier())
	require.NotContains(t, told, strings.TrimSpace(string(text)))
	info, err := os.Stat(file)
	require.NoError(t, err)
	require.Equal(t, os.FileMode(0o600), info.Mode().Perm())

	_, err = said(t, nil, "keys", "seal", "--name", "seaside.example/book", "--out", file)
	require.ErrorIs(t, err, os.ErrExist, "never over another")
	_, err = said(t, nil, "keys", "seal")
	require.ErrorContains(t, err, "--name")
	_, err = said(t, nil, "keys", "seal", "--name", "two words", "--out", file+"2")
	require.ErrorContains(t, err, "one word")
}

// TestSealingSettingsThatAreNone are told before anything is started.
func TestSealingSettingsThatAreNone(t *testing.T) {
	t.Parallel()
	_, err := said(t, []string{"FIRSTOUT_CHECKPOINT_WEBHOOK=http://example.com/"}, "serve")
	require.ErrorContains(t, err, "FIRSTOUT_CHECKPOINT_WEBHOOK")
	_, err = said(t, []string{"FIRSTOUT_CHECKPOINT_WEBHOOK=http://127.0.0.1/"}, "serve")
	require.ErrorContains(t, err, "only if that is allowed")
	_, err = said(t, nil, "verify", "--checkpoint", "x")
	require.ErrorContains(t, err, "--checkpoint needs --key")
	_, err = said(t, nil, "verify", "--key", "nonsense")
	require.ErrorContains(t, err, "nor is it a file")
	for key, says := range map[string]string{
		"PRIVATE+KEY+nonsense":                      "begins with PRIVATE+KEY+",
		filepath.Join(t.TempDir(), "missing.key"):   "no such file",
		"testdata-that-is-not-there/but/a/path.key": "no such file",
	} {
		err := run(t.Context(), []string{"serve", "--book", "test"}, environment(t, "FIRSTOUT_SEAL_KEY="+key), io.Discard)
		require.ErrorContains(t, err, says)
	}
}

// TestAKeyOfAnotherName is told at the start: a log has one name for ever.
func TestAKeyOfAnotherName(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	environ := environment(t)
	for _, name := range []string{"one", "two"} {
		_, err := said(t, nil, "keys", "seal", "--name", name, "--out", filepath.Join(dir, name))
		require.NoError(t, err)
	}
	base, _, stop := serving(t, environ, "--book", "test", "--seal-key", filepath.Join(dir, "one"))
	owner := key(t, environ, "me", "owner")
	putMould(t, base, owner, "dome")
	stop()
	base, _, stop = serving(t, environ, "--seal-key", filepath.Join(dir, "one")) // it seals what there is when it begins
	require.Eventually(t, func() bool {
		status, _ := get(t, base+"/v1/log/checkpoint", owner)
		return status == http.StatusOK
	}, time.Minute, 10*time.Millisecond)
	stop()
	err := run(t.Context(), []string{"serve", "--seal-key", filepath.Join(dir, "two")}, environ, io.Discard)
	require.ErrorContains(t, err, "this book is sealed as one for ever, and the signing key is named two")
}
