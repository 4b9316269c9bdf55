package sealer_test

import (
	"testing"

	"github.com/stretchr/testify/require"

	"firstout/internal/events/seal"
	"firstout/internal/events/sealer"
)

// TestVerifyNamesWhatWasChanged: as whoever owns the tables can change them.
func TestVerifyNamesWhatWasChanged(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		sql      string
		position int64
		says     string
	}{
		"a column":               {"UPDATE log SET actor = 'somebody' WHERE position = 5", 5, "its column actor is not what its bytes say"},
		"a time":                 {"UPDATE log SET occurred_at = occurred_at - interval '1 day' WHERE position = 2", 2, "its column occurred_at"},
		"bytes that are none":    {"UPDATE log SET canonical = '{}' WHERE position = 7", 7, "no event"},
		"bytes in another form":  {"UPDATE log SET canonical = canonical || ' ' WHERE position = 7", 7, "not the one that was sealed"},
		"another form, unsealed": {"UPDATE log SET canonical = canonical || ' ' WHERE position = 11", 11, "not in canonical form"},
		"no event, unsealed":     {"UPDATE log SET canonical = replace(canonical, 'cavities', 'holes') WHERE position = 11", 11, "no event"},
		"an event": {
			"UPDATE log SET actor = 'nobody', canonical = replace(canonical, '\"maker\"', '\"nobody\"') WHERE position = 6", 6,
			"not the one that was sealed",
		},
		"one that is not sealed": {"UPDATE log SET actor = 'x' WHERE position = 11", 11, "actor"},
		"one taken out":          {"DELETE FROM log WHERE position = 4", 4, "the event found in its place has position 5"},
		"the newest taken out":   {"DELETE FROM log WHERE position = 11", 11, "the book says that it has come to 11"},
		"sealed ones taken out":  {"DELETE FROM log WHERE position > 8", 9, "the log ends with 8, and a checkpoint was signed of 10 events"},
		"everything taken out":   {"DELETE FROM log", 1, "the log ends with 0"},
		"a leaf's hash":          {"UPDATE seal_hashes SET hash = sha256(hash) WHERE idx = 3", 3, "a hash stored at its sealing was changed"},
		"a node's hash":          {"UPDATE seal_hashes SET hash = sha256(hash) WHERE idx = 6", 4, "a hash stored at its sealing was changed"},
		"a hash taken out":       {"DELETE FROM seal_hashes WHERE idx = 5", 0, "index 5 is missing"},
		"the newest hash":        {"DELETE FROM seal_hashes WHERE idx = (SELECT max(idx) FROM seal_hashes)", 10, "some are missing"},
		"a code made up":         {"INSERT INTO event_codes VALUES ('L261125-01-8', 4)", 4, "do not agree whether it concerns L261125-01-8"},
		"a code of no event":     {"INSERT INTO event_codes VALUES ('L261125-01-8', 12)", 12, "do not agree whether it concerns L261125-01-8"},
		"a checkpoint's note":    {"UPDATE checkpoints SET note = replace(note, E'\n6\n', E'\n7\n') WHERE size = 6", 0, "the checkpoint kept of size 6"},
		"a checkpoint's root":    {"UPDATE checkpoints SET root = sha256(root) WHERE size = 6", 0, "the checkpoint kept of size 6 is another"},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			db, _, verifier := sealed(t, 10)
			write(t, db, 1)
			_, err := sealer.Verify(t.Context(), db.App, nil, verifier)
			require.NoError(t, err)
			tamper(t, db, c.sql)
			_, err = sealer.Verify(t.Context(), db.App, nil, verifier)
			found := new(seal.Finding)
			require.ErrorAs(t, err, &found)
			require.ErrorContains(t, err, c.says)
			require.Equal(t, c.position, found.Position)
		})
	}
}

// TestARewrittenBookIsFoundByAnOutsideCheckpoint: who owns the database and the key can make another book that agrees
// with itself, or put an earlier one back; only what has left the house tells.
func TestARewrittenBookIsFoundByAnOutsideCheckpoint(t *testing.T) {
	t.Parallel()
	db, s, verifier := sealed(t, 10)
	newest, _, err := sealer.Newest(t.Context(), db.App)
	require.NoError(t, err)
	outside, err := seal.Open(newest.Note, verifier)
	require.NoError(t, err)
	tamper(t, db, `
		WITH a AS (DELETE FROM seal_hashes), b AS (DELETE FROM checkpoints)
		UPDATE log SET actor = 'nobody', canonical = replace(canonical, '"maker"', '"nobody"') WHERE position = 6`)
	require.NoError(t, s.SealAll(t.Context()))
	requireSealed(t, db, 10, verifier)
	_, err = sealer.Verify(t.Context(), db.App, []seal.Checkpoint{outside}, verifier)
	require.ErrorContains(t, err, "not the one that the checkpoint of size 10 was signed for")

	tamper(t, db, `
		WITH a AS (DELETE FROM seal_hashes), b AS (DELETE FROM checkpoints), c AS (DELETE FROM log WHERE position > 4)
		UPDATE head SET position = 4, definitions_at = 4`)
	require.NoError(t, s.SealAll(t.Context()))
	requireSealed(t, db, 4, verifier)
	_, err = sealer.Verify(t.Context(), db.App, []seal.Checkpoint{outside}, verifier)
	require.ErrorContains(t, err, "a checkpoint was signed of 10 events")
}
