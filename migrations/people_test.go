package migrations_test

import (
	"strings"
	"testing"
	"testing/fstest"

	"github.com/stretchr/testify/require"

	"firstout/internal/pgtest"
	"firstout/migrations"
)

// A book from before people were kept apart: its keys go on by the names of their holders, and what its catalogue had of
// suppliers and buyers is what the log's first shapes are lifted to.
func TestPeopleAreTakenOutOfAnOlderBook(t *testing.T) {
	t.Parallel()
	db := pgtest.Empty(t)
	older := fstest.MapFS{}
	for _, name := range []string{"00001_log.sql", "00002_projections.sql"} {
		text, err := migrations.Files.ReadFile(name)
		require.NoError(t, err)
		older[name] = &fstest.MapFile{Data: text}
	}
	require.NoError(t, migrations.UpWith(t.Context(), db.Owner, older))
	for _, sql := range []string{
		`INSERT INTO api_keys (id, name, hash, roles, site, created_at, revoked_at) VALUES
			(gen_random_uuid(), 'anna', decode(repeat('01', 32), 'hex'), '{owner}', '', '2026-01-01Z', '2026-02-01Z'),
			(gen_random_uuid(), 'anna', decode(repeat('02', 32), 'hex'), '{owner}', '', '2026-02-01Z', NULL),
			(gen_random_uuid(), 'till', decode(repeat('03', 32), 'hex'), '{till}', '', '2026-02-01Z', NULL)`,
		`INSERT INTO definitions (kind, slug, version, position, recorded_at, body) VALUES
			('supplier', 'example-dairy', 1, 1, now(), '{"name": "Example Dairy", "contact": "dairy@example.com", "approval_number": "IE-EX-0001"}'),
			('buyer', 'harbour-cafe', 1, 2, now(), '{"name": "Harbour Café", "address": "Pier Head"}'),
			('mould', 'dome-24', 1, 3, now(), '{"name": "Dome 24", "cavities": 24}')`,
	} {
		_, err := db.Owner.Exec(t.Context(), sql)
		require.NoError(t, err)
	}
	require.NoError(t, migrations.Up(t.Context(), db.Owner))

	text := func(sql string) string {
		var found string
		require.NoError(t, db.App.QueryRow(t.Context(), sql).Scan(&found))
		return found
	}
	require.Equal(t, "anna owner, anna owner, till till",
		text(`SELECT string_agg(p.name || ' ' || k.roles[1], ', ' ORDER BY p.name) FROM api_keys k JOIN people p ON p.id = k.holder`))
	require.Equal(t, "2", text(`SELECT count(*)::text FROM people`), "one holder for all of their keys")
	require.Equal(t, strings.Join([]string{`{"name": "Dome 24", "cavities": 24}`, `{"approval_number": "IE-EX-0001"}`, `{}`}, " "),
		text(`SELECT string_agg(body::text, ' ' ORDER BY position = 3 DESC, position) FROM definitions`))
}
