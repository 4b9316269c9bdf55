-- The statements that put the keys and indexes of the tables in use on those beside them, under the same names.
-- $1 tables in use  $2 their schema  $3 the other schema
WITH live AS (
    SELECT c.oid, c.relname
    FROM unnest($1::text[]) AS wanted (name)
    JOIN pg_class c ON c.relname = wanted.name AND c.relkind = 'r' AND c.relnamespace = $2::text::regnamespace
)
SELECT format('ALTER TABLE %I.%I ADD CONSTRAINT %I %s', $3::text, relname, k.conname, pg_get_constraintdef(k.oid)) AS sql
FROM live
JOIN pg_constraint k ON k.conrelid = live.oid AND k.contype IN ('p', 'u')
UNION ALL
SELECT replace(pg_get_indexdef(i.indexrelid), format(' ON %I.%I ', $2, relname), format(' ON %I.%I ', $3, relname))
FROM live
JOIN pg_index i ON i.indrelid = live.oid
WHERE NOT EXISTS (SELECT FROM pg_constraint k WHERE k.conindid = i.indexrelid)
