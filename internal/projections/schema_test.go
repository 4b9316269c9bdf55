package projections_test

import (
	"flag"
	"os"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"firstout/internal/pgtest"
	"firstout/internal/projections"
)

var update = flag.Bool("update", false, "write testdata/schema.sql anew")

const schemaFile = "../../testdata/schema.sql"

// schema writes the tables, indexes, triggers, functions and grants of a database as SQL, the same whatever the
// version of the server.
const schema = `
WITH tables AS (
    SELECT * FROM pg_class WHERE relnamespace = 'public'::regnamespace AND relkind = 'r' AND relname <> 'goose_db_version'
),
parts AS (
    SELECT relname, 1 AS step, '' AS name, E'\nCREATE TABLE ' || relname || E' (\n'
        || (SELECT string_agg('    ' || line, E',\n' ORDER BY kind, number, line) FROM (
            SELECT 1 AS kind, a.attnum AS number, concat_ws(' ', a.attname, format_type(a.atttypid, a.atttypmod),
                CASE WHEN a.attcollation <> t.typcollation THEN 'COLLATE ' || a.attcollation::regcollation END,
                CASE WHEN a.attnotnull THEN 'NOT NULL' END,
                CASE WHEN a.attgenerated = 's' THEN 'GENERATED ALWAYS AS ' || pg_get_expr(d.adbin, d.adrelid) || ' STORED'
                    WHEN d.adbin IS NOT NULL THEN 'DEFAULT ' || pg_get_expr(d.adbin, d.adrelid) END) AS line
            FROM pg_attribute a
            JOIN pg_type t ON t.oid = a.atttypid
            LEFT JOIN pg_attrdef d ON d.adrelid = a.attrelid AND d.adnum = a.attnum
            WHERE a.attrelid = tables.oid AND a.attnum > 0 AND NOT a.attisdropped
            UNION ALL
            SELECT 2, 0, 'CONSTRAINT ' || conname || ' ' || pg_get_constraintdef(k.oid)
            FROM pg_constraint k WHERE k.conrelid = tables.oid AND k.contype IN ('p', 'u', 'c', 'f')) lines)
        || E'\n)' || coalesce(' WITH (' || array_to_string(reloptions, ', ') || ')', '') || ';' AS text
    FROM tables
    UNION ALL
    SELECT tables.relname, 2, pg_get_indexdef(i.indexrelid), pg_get_indexdef(i.indexrelid) || ';'
    FROM tables JOIN pg_index i ON i.indrelid = tables.oid
    WHERE NOT EXISTS (SELECT FROM pg_constraint k WHERE k.conindid = i.indexrelid)
    UNION ALL
    SELECT tables.relname, 3, tgname, pg_get_triggerdef(g.oid) || ';'
        || CASE g.tgenabled WHEN 'A' THEN E'\nALTER TABLE ' || relname || ' ENABLE ALWAYS TRIGGER ' || tgname || ';' ELSE '' END
    FROM tables JOIN pg_trigger g ON g.tgrelid = tables.oid AND NOT g.tgisinternal
    UNION ALL
    SELECT relname, 4, grantee::text, 'GRANT ' || string_agg(privilege_type, ', ' ORDER BY privilege_type) || ' ON ' || relname
        || ' TO ' || grantee::regrole || ';'
    FROM tables, aclexplode(relacl) WHERE grantee <> relowner GROUP BY relname, grantee
    UNION ALL
    SELECT relname, 5, attname, 'GRANT ' || string_agg(privilege_type, ', ' ORDER BY privilege_type) || ' (' || attname || ') ON '
        || relname || ' TO ' || grantee::regrole || ';'
    FROM tables JOIN pg_attribute a ON a.attrelid = tables.oid, aclexplode(a.attacl) WHERE a.attnum > 0 GROUP BY relname, attname, grantee
    UNION ALL
    SELECT '', 0, p.proname, rtrim(pg_get_functiondef(p.oid), E'\n') || ';' FROM pg_proc p WHERE p.pronamespace = 'public'::regnamespace
)
SELECT replace(text, ' ON public.', ' ON ') FROM parts ORDER BY relname, step, name`

func schemaOf(t *testing.T, q projections.Querier) string {
	t.Helper()
	return strings.TrimSpace(strings.Join(texts(t, q, schema), "\n")) + "\n"
}

// The file is for people: what the migrations lead to, at one glance. go test ./internal/projections -run Schema -update
// writes it anew.
func TestTheSchemaIsAsItsFileSays(t *testing.T) {
	t.Parallel()
	found := "-- What the migrations lead to. Written by a test (internal/projections, -run Schema -update); not to be edited.\n\n" +
		schemaOf(t, pgtest.New(t).Owner)
	if *update {
		require.NoError(t, os.WriteFile(schemaFile, []byte(found), 0o644))
	}
	kept, err := os.ReadFile(schemaFile)
	require.NoError(t, err)
	require.Equal(t, string(kept), found)
}
