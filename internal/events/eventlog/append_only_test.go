package eventlog_test

import (
	"context"
	"fmt"
	"testing"

	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"

	"firstout/internal/events"
	"firstout/internal/events/eventlog"
	"firstout/internal/pgtest"
)

const insufficientPrivilege = "42501"

var grown = map[string]string{ // the tables that only grow, each with a column to try to change
	"log":         "actor",
	"event_codes": "code",
	"commands":    "answer",
}

// changes are the ways to change or remove rows, whether or not there are any.
func changes(table, column string) []string {
	return []string{
		fmt.Sprintf("UPDATE %s SET %s = 'x'", table, column),
		fmt.Sprintf("UPDATE %s SET %s = 'x' WHERE false", table, column),
		fmt.Sprintf("DELETE FROM %s", table),
		fmt.Sprintf("DELETE FROM %s WHERE false", table),
		fmt.Sprintf("TRUNCATE %s", table),
		fmt.Sprintf("MERGE INTO %s USING (SELECT 1) s ON true WHEN MATCHED THEN DELETE", table),
		fmt.Sprintf("WITH gone AS (DELETE FROM %s RETURNING 1) SELECT * FROM gone", table),
	}
}

func TestLogIsAppendOnlyByRight(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	fill(t, db)
	for table, column := range grown {
		for _, sql := range changes(table, column) {
			_, err := db.App.Exec(t.Context(), sql)
			require.Equal(t, insufficientPrivilege, state(t, err), sql)
			require.ErrorContains(t, err, "permission denied", sql)
		}
	}
	requireFilled(t, db)
}

func TestLogIsAppendOnlyByTriggerForItsOwner(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	fill(t, db)
	for table, column := range grown {
		for _, sql := range changes(table, column) {
			_, err := db.Owner.Exec(t.Context(), sql)
			require.Equal(t, insufficientPrivilege, state(t, err), sql)
			require.ErrorContains(t, err, table+" refuses this", sql)
		}
	}
	_, err := db.Owner.Exec(t.Context(), "INSERT INTO event_codes VALUES ('L261125-01-8', 1) ON CONFLICT (code, position) DO UPDATE SET code = 'x'")
	require.Equal(t, insufficientPrivilege, state(t, err))
	_, err = db.Owner.Exec(t.Context(), "TRUNCATE head CASCADE")
	require.Equal(t, insufficientPrivilege, state(t, err))
	requireFilled(t, db)
}

// TestTriggersFireInReplicaMode holds that the ordinary way around triggers is closed too.
func TestTriggersFireInReplicaMode(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	var tables []string
	rows, err := db.Owner.Query(t.Context(), "SELECT tgrelid::regclass::text FROM pg_trigger WHERE NOT tgisinternal AND tgenabled = 'A' ORDER BY 1")
	require.NoError(t, err)
	tables, err = pgx.CollectRows(rows, pgx.RowTo[string])
	require.NoError(t, err)
	require.Equal(t, []string{"checkpoints", "commands", "event_codes", "head", "head", "log", "seal_hashes"}, tables)
}

func TestRoleOfTheAPICannotRise(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	owner, app := role(t, db.Owner), role(t, db.App)
	require.NotEqual(t, owner, app)
	for why, sql := range map[string]string{
		"take the owner's role":       "SET ROLE " + owner,
		"become the owner":            "SET SESSION AUTHORIZATION " + owner,
		"put the triggers to sleep":   "SET session_replication_role = replica",
		"switch a trigger off":        "ALTER TABLE log DISABLE TRIGGER append_only",
		"drop the trigger":            "DROP TRIGGER append_only ON log",
		"drop the log":                "DROP TABLE log",
		"change the trigger's rule":   "CREATE OR REPLACE FUNCTION refuse_change() RETURNS trigger LANGUAGE plpgsql AS 'BEGIN RETURN new; END'",
		"make a table":                "CREATE TABLE mine (x int)",
		"make a rule":                 "CREATE RULE r AS ON INSERT TO log DO INSTEAD NOTHING",
		"make a trigger":              "CREATE TRIGGER t BEFORE INSERT ON log FOR EACH ROW EXECUTE FUNCTION refuse_change()",
		"give rights":                 "GRANT " + owner + " TO " + app,
		"make a role":                 "CREATE ROLE helper SUPERUSER",
		"put a second head":           "INSERT INTO head (id) VALUES (true)",
		"remove the head":             "DELETE FROM head",
		"empty the head":              "TRUNCATE head",
		"take over the epoch":         "UPDATE head SET epoch = 'x'",
		"give a key more roles":       "UPDATE api_keys SET roles = '{owner}'",
		"forget a key":                "DELETE FROM api_keys",
		"lock everybody out":          "DO 'BEGIN LOCK TABLE log IN ACCESS EXCLUSIVE MODE; END'",
		"look at the server's files":  "SELECT pg_read_file('postgresql.conf')",
		"let the server run commands": "COPY log TO PROGRAM 'cat'",
	} {
		_, err := db.App.Exec(t.Context(), sql)
		require.Equal(t, insufficientPrivilege, state(t, err), why)
	}
	var owns, powers bool
	require.NoError(t, db.App.QueryRow(t.Context(), `
SELECT EXISTS (SELECT FROM pg_class WHERE relowner = r.oid) OR EXISTS (SELECT FROM pg_proc WHERE proowner = r.oid),
       rolsuper OR rolcreaterole OR rolcreatedb OR rolbypassrls OR rolreplication OR pg_has_role(r.oid, $1, 'MEMBER')
FROM pg_roles r WHERE rolname = current_user`, owner).Scan(&owns, &powers))
	require.False(t, owns)
	require.False(t, powers)
}

func TestHeadOnlyGoesForward(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	fill(t, db)
	require.NoError(t, eventlog.MarkBook(t.Context(), db.App, eventlog.BookTest))
	_, err := db.App.Exec(t.Context(), "UPDATE head SET manual_now = '2026-11-25T12:00:00Z'")
	require.NoError(t, err)
	for _, sql := range []string{
		"UPDATE head SET position = position - 1, definitions_at = 0",
		"UPDATE head SET definitions_at = 0",
		"UPDATE head SET recorded_at = recorded_at - interval '1 microsecond'",
		"UPDATE head SET manual_now = manual_now - interval '1 microsecond'",
		"UPDATE head SET book = 'real'",
		"UPDATE head SET book = NULL",
		"DELETE FROM head",
	} {
		_, err := db.Owner.Exec(t.Context(), sql)
		require.Equal(t, insufficientPrivilege, state(t, err), sql)
	}
}

// fill writes a row into every table that only grows.
func fill(t *testing.T, db *pgtest.DB) {
	t.Helper()
	write(t, db.App, func(head eventlog.Head) ([]events.Recorded, []eventlog.Answered) {
		recorded := append(moulds(head, "k1", "dome-24"), held(head.Position+2))
		return recorded, []eventlog.Answered{answered("k1", recorded[0])}
	})
}

func requireFilled(t *testing.T, db *pgtest.DB) {
	t.Helper()
	for table := range grown {
		var rows int
		require.NoError(t, db.App.QueryRow(context.Background(), "SELECT count(*) FROM "+table).Scan(&rows))
		require.Positive(t, rows, table)
	}
}
