package eventlog_test

import (
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"

	"firstout/internal/events/eventlog"
	"firstout/internal/pgtest"
)

func TestKeyIsFoundByItsSecretOnly(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	secret, made, err := eventlog.CreateKey(t.Context(), db.App, "till 1", []string{"till", "counter"}, "quay-lane", nil, noon)
	require.NoError(t, err)
	require.True(t, strings.HasPrefix(secret, "firstout_"))
	require.Len(t, secret, len("firstout_")+26)

	found, err := eventlog.FindKey(t.Context(), db.App, eventlog.HashKey(secret), noon)
	require.NoError(t, err)
	require.Equal(t, made, found)
	require.Equal(t, []string{"till", "counter"}, found.Roles)

	for _, wrong := range []string{"", secret[:len(secret)-1], secret + "A", strings.ToLower(secret)} {
		_, err := eventlog.FindKey(t.Context(), db.App, eventlog.HashKey(wrong), noon)
		require.ErrorIs(t, err, eventlog.ErrNoKey)
	}

	var traces int
	require.NoError(t, db.Owner.QueryRow(t.Context(), "SELECT count(*) FROM api_keys k WHERE k::text LIKE '%' || $1 || '%'", secret[9:]).Scan(&traces))
	require.Zero(t, traces, "the secret is kept nowhere")
}

func TestKeyExpires(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	end := noon.Add(time.Hour).Truncate(time.Microsecond)
	secret, _, err := eventlog.CreateKey(t.Context(), db.App, "helper", []string{"counter"}, "", &end, noon)
	require.NoError(t, err)
	_, err = eventlog.FindKey(t.Context(), db.App, eventlog.HashKey(secret), end.Add(-time.Microsecond))
	require.NoError(t, err)
	_, err = eventlog.FindKey(t.Context(), db.App, eventlog.HashKey(secret), end)
	require.ErrorIs(t, err, eventlog.ErrNoKey)

	_, _, err = eventlog.CreateKey(t.Context(), db.App, "helper", []string{"counter"}, "", nil, end.Add(-time.Microsecond))
	require.ErrorIs(t, err, eventlog.ErrNameTaken)
	_, _, err = eventlog.CreateKey(t.Context(), db.App, "helper", []string{"counter"}, "", nil, end)
	require.NoError(t, err, "an expired key gives its name free")
}

func TestKeyIsRevokedAtOnceAndForEver(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	first, _, err := eventlog.CreateKey(t.Context(), db.App, "anna", []string{"maker"}, "", nil, noon)
	require.NoError(t, err)
	_, _, err = eventlog.CreateKey(t.Context(), db.App, "anna", []string{"owner"}, "", nil, noon)
	require.ErrorIs(t, err, eventlog.ErrNameTaken)

	require.NoError(t, eventlog.RevokeKey(t.Context(), db.App, "anna", noon.Add(time.Minute)))
	_, err = eventlog.FindKey(t.Context(), db.App, eventlog.HashKey(first), noon.Add(time.Minute))
	require.ErrorIs(t, err, eventlog.ErrNoKey)
	require.ErrorIs(t, eventlog.RevokeKey(t.Context(), db.App, "anna", noon.Add(time.Minute)), eventlog.ErrNoKey)

	second, _, err := eventlog.CreateKey(t.Context(), db.App, "anna", []string{"owner"}, "", nil, noon.Add(time.Hour))
	require.NoError(t, err)
	keys, err := eventlog.ListKeys(t.Context(), db.App)
	require.NoError(t, err)
	require.Len(t, keys, 2)
	require.NotNil(t, keys[0].RevokedAt)
	require.Nil(t, keys[1].RevokedAt)
	require.NotEqual(t, keys[0].ID, keys[1].ID, "another actor")
	found, err := eventlog.FindKey(t.Context(), db.App, eventlog.HashKey(second), noon.Add(time.Hour))
	require.NoError(t, err)
	require.Equal(t, keys[1], found)
}

// A session knows its key by id: it ends with the key.
func TestKeyIsFoundByItsIDWhileItIsGood(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	evening := noon.Add(6 * time.Hour)
	secret, made, err := eventlog.CreateKey(t.Context(), db.App, "tablet", []string{"counter"}, "", &evening, noon)
	require.NoError(t, err)

	found, hash, err := eventlog.FindKeyByID(t.Context(), db.App, made.ID, noon)
	require.NoError(t, err)
	require.Equal(t, made.Name, found.Name)
	require.Equal(t, eventlog.HashKey(secret), hash)

	_, _, err = eventlog.FindKeyByID(t.Context(), db.App, made.ID, evening)
	require.ErrorIs(t, err, eventlog.ErrNoKey)
	_, _, err = eventlog.FindKeyByID(t.Context(), db.App, uuid.Nil, noon)
	require.ErrorIs(t, err, eventlog.ErrNoKey)
	require.NoError(t, eventlog.RevokeKey(t.Context(), db.App, "tablet", noon))
	_, _, err = eventlog.FindKeyByID(t.Context(), db.App, made.ID, noon)
	require.ErrorIs(t, err, eventlog.ErrNoKey)
}

func TestStatesOfKeys(t *testing.T) {
	t.Parallel()
	before, after := noon.Add(-time.Hour), noon.Add(time.Hour)
	for name, c := range map[string]struct {
		key   eventlog.Key
		state string
	}{
		"for ever":                    {eventlog.Key{}, "in force"},
		"until later":                 {eventlog.Key{ExpiresAt: &after}, "in force"},
		"until now":                   {eventlog.Key{ExpiresAt: &noon}, "expired"},
		"revoked":                     {eventlog.Key{RevokedAt: &before}, "revoked"},
		"revoked before it expired":   {eventlog.Key{ExpiresAt: &noon, RevokedAt: &before}, "revoked"},
		"expired, its name taken":     {eventlog.Key{ExpiresAt: &before, RevokedAt: &before}, "expired"},
		"expired, and revoked later":  {eventlog.Key{ExpiresAt: &before, RevokedAt: &noon}, "expired"},
		"revoked, to expire later on": {eventlog.Key{ExpiresAt: &after, RevokedAt: &before}, "revoked"},
	} {
		require.Equal(t, c.state, c.key.State(noon), name)
	}
}
