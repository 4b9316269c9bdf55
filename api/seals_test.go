package api

import (
	"crypto/rand"
	"fmt"
	"net/http"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"golang.org/x/mod/sumdb/note"
	"golang.org/x/mod/sumdb/tlog"

	"firstout/internal/events/seal"
	"firstout/internal/events/sealer"
	"firstout/internal/pgtest"
)

// A sealedBook has a key to seal with, and seals when it is told to.
type sealedBook struct {
	*testBook
	sealer   *sealer.Sealer
	verifier note.Verifier
}

func newSealedBook(t *testing.T) *sealedBook {
	t.Helper()
	text, err := seal.NewKey(rand.Reader, "seaside.example/book")
	require.NoError(t, err)
	key, err := seal.ParseKey(text)
	require.NoError(t, err)
	verifier, err := seal.ParseVerifier(key.Verifier())
	require.NoError(t, err)
	db := pgtest.NewBook(t)
	b := openTestBook(t, db, true, func(c *Config) { c.VerifierKey = key.Verifier() })
	return &sealedBook{testBook: b, sealer: sealer.New(db.App, sealer.Options{Key: key, Batch: 1000}), verifier: verifier}
}

func (b *sealedBook) seal() {
	b.t.Helper()
	require.NoError(b.t, b.sealer.SealAll(b.t.Context()))
}

func (b *sealedBook) moulds(from, to int) {
	b.t.Helper()
	for i := from; i <= to; i++ {
		require.Equal(b.t, http.StatusCreated, b.put(fmt.Sprintf("moulds/dome-%d", i), obj{"name": "Dome", "cavities": 24}).Status)
	}
}

// TestAnAuditorChecksTheLog over HTTP, with the public key and golang.org/x/mod/sumdb as an outsider has it.
func TestAnAuditorChecksTheLog(t *testing.T) {
	t.Parallel()
	b := newSealedBook(t)
	auditor := b.as(roleAuditor)
	b.moulds(1, 5)
	b.seal()
	first := auditor.get(t, "/v1/log/checkpoint")
	require.Equal(t, http.StatusOK, first.Status)
	require.Equal(t, "text/plain; charset=utf-8", first.Header.Get("Content-Type"))
	require.Equal(t, `attachment; filename="checkpoint-5.txt"`, first.Header.Get("Content-Disposition"))
	require.Empty(t, first.Header.Get("ETag"), "it changes when the book does not")
	key := auditor.get(t, "/v1/log/key")
	verifier, err := note.NewVerifier(strings.TrimSpace(string(key.Body)))
	require.NoError(t, err)
	old := opened(t, first.Body, verifier)
	require.EqualValues(t, 5, old.N)

	b.moulds(6, 13)
	b.seal()
	now := opened(t, auditor.get(t, "/v1/log/checkpoint").Body, verifier)
	require.EqualValues(t, 13, now.N)

	grew := auditor.get(t, "/v1/log/proofs/consistency?from=5")
	grew.has(map[string]any{"from": n("5"), "to": n("13"), "from_root": old.Hash.String(), "to_root": now.Hash.String()})
	require.NoError(t, tlog.CheckTree(hashesIn(t, grew), 13, now.Hash, 5, old.Hash))

	events := auditor.get(t, "/v1/events")
	for position := 1; position <= 13; position++ {
		canonical := []byte(events.text("events", position-1, "canonical"))
		there := auditor.get(t, fmt.Sprintf("/v1/log/proofs/inclusion?position=%d", position))
		there.has(map[string]any{
			"position": n(fmt.Sprint(position)), "index": n(fmt.Sprint(position - 1)), "size": n("13"),
			"leaf": tlog.RecordHash(canonical).String(), "root": now.Hash.String(),
		})
		require.NoError(t, tlog.CheckRecord(hashesIn(t, there), 13, now.Hash, int64(position-1), tlog.RecordHash(canonical)))
		require.Equal(t, now, opened(t, []byte(there.text("checkpoint")), verifier))
	}

	proof := auditor.get(t, "/v1/log/proofs/inclusion?position=5&size=5", "Accept", "text/plain")
	require.Equal(t, `attachment; filename="event-5.tlog-proof"`, proof.Header.Get("Content-Disposition"))
	c, _, err := seal.CheckText(proof.Body, []byte(events.text("events", 4, "canonical")), verifier)
	require.NoError(t, err)
	require.EqualValues(t, 5, c.Size)

	between := auditor.get(t, "/v1/log/proofs/inclusion?position=2&size=9")
	between.has(map[string]any{"size": n("9")})
	require.NotContains(t, string(between.Body), "checkpoint")
	auditor.get(t, "/v1/log/proofs/inclusion?position=2&size=9", "Accept", "text/plain").problem(http.StatusConflict, "not-sealed")
}

// opened is a checkpoint as the reference packages read it.
func opened(t *testing.T, signed []byte, verifier note.Verifier) tlog.Tree {
	t.Helper()
	opened, err := note.Open(signed, note.VerifierList(verifier))
	require.NoError(t, err)
	lines := strings.Split(opened.Text, "\n")
	require.Len(t, lines, 4)
	require.Equal(t, "seaside.example/book", lines[0])
	root, err := tlog.ParseHash(lines[2])
	require.NoError(t, err)
	var size int64
	_, err = fmt.Sscan(lines[1], &size)
	require.NoError(t, err)
	return tlog.Tree{N: size, Hash: root}
}

func hashesIn(t *testing.T, a answer) (hashes []tlog.Hash) {
	t.Helper()
	all, is := a.at("hashes").([]any)
	require.True(t, is)
	for i := range all {
		h, err := tlog.ParseHash(a.text("hashes", i))
		require.NoError(t, err)
		hashes = append(hashes, h)
	}
	return hashes
}

// TestBeyondTheSeal is told with how far it is.
func TestBeyondTheSeal(t *testing.T) {
	t.Parallel()
	b := newSealedBook(t)
	for _, path := range []string{"checkpoint", "proofs/inclusion?position=1", "proofs/consistency?from=1"} {
		members := b.owner.get(t, "/v1/log/"+path).problem(http.StatusConflict, "not-sealed")
		require.Equal(t, n("0"), members["sealed"], path)
		require.Equal(t, true, members["sealing"])
		require.NotContains(t, members, "signed_at")
	}
	b.moulds(1, 5)
	b.seal()
	b.moulds(6, 7)
	for path, says := range map[string]string{
		"proofs/inclusion?position=6":        "The seal reaches to position 5, not to 6. Ask again in half a minute.",
		"proofs/inclusion?position=5&size=7": "The seal reaches to position 5, not to 7. Ask again in half a minute.",
		"proofs/consistency?from=1&to=6":     "The seal reaches to position 5, not to 6. Ask again in half a minute.",
		"proofs/consistency?from=8":          "The seal reaches to position 5, not to 8. Ask again in half a minute.",
	} {
		members := b.owner.get(t, "/v1/log/"+path).problem(http.StatusConflict, "not-sealed")
		require.Equal(t, says, members["detail"])
		require.Equal(t, []any{n("5"), n("7")}, []any{members["sealed"], members["position"]})
		require.Contains(t, members, "signed_at")
	}
	b.owner.get(t, "/v1/log/proofs/inclusion?position=4&size=3").problem(http.StatusUnprocessableEntity, "invalid-request")
	b.owner.get(t, "/v1/log/proofs/consistency?from=4&to=3").problem(http.StatusUnprocessableEntity, "invalid-request")
	b.owner.get(t, "/v1/log/proofs/inclusion?position=0").problem(http.StatusBadRequest, "invalid-request")
	b.owner.get(t, "/v1/log/proofs/inclusion").problem(http.StatusBadRequest, "invalid-request")
	b.owner.get(t, "/v1/log/proofs/consistency?from=5").has(map[string]any{"hashes": []any{}})
}

// TestABookThatIsNotSealed says so and what to do.
func TestABookThatIsNotSealed(t *testing.T) {
	t.Parallel()
	b := newTestBook(t)
	for _, path := range []string{"checkpoint", "key", "proofs/inclusion?position=1"} {
		members := b.owner.get(t, "/v1/log/"+path).problem(http.StatusConflict, "not-sealed")
		require.Contains(t, members["detail"], "FIRSTOUT_SEAL_KEY")
		require.Equal(t, false, members["sealing"])
	}
}

// TestReportsCarryTheCheckpoint: what is printed has it, so that it leaves the house; but for who may not know how much
// there is in the whole book.
func TestReportsCarryTheCheckpoint(t *testing.T) {
	t.Parallel()
	b := newSealedBook(t)
	_, run := b.twoSites()
	recall := b.post("recalls", obj{"code": run, "reach": "may_contain", "reason": "Exercise", "drill": true}).text("id")
	const waste = "/v1/waste?from=2026-11-25&to=2026-11-25"
	require.NotContains(t, string(b.owner.get(t, waste).Body), "checkpoint")
	require.NotContains(t, string(b.owner.get(t, "/v1/recalls/"+recall+"/notice").Body), "Seal of the records")
	b.seal()
	checkpoint := string(b.owner.get(t, "/v1/log/checkpoint").Body)
	b.owner.get(t, waste, "If-None-Match", "").has(map[string]any{"checkpoint": checkpoint})
	require.Contains(t, string(b.owner.get(t, "/v1/recalls/"+recall+"/notice").Body), "\n\n"+checkpoint)
	require.NotContains(t, string(b.bound("pier", roleMaker).get(t, waste).Body), "checkpoint")
}
