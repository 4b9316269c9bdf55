-- The statements that make tables like those in use in another schema: storage parameters, owner and grants too,
-- which LIKE does not copy. Indexes come later, so that the rows need not be put into them one by one.
-- $1 tables in use  $2 their schema  $3 the other schema
WITH live AS (
    SELECT c.oid, c.relname, c.reloptions, c.relowner, c.relacl
    FROM unnest($1::text[]) AS wanted (name)
    JOIN pg_class c ON c.relname = wanted.name AND c.relkind = 'r' AND c.relnamespace = $2::text::regnamespace
)
SELECT sql
FROM (
    SELECT 1 AS step,
        format('CREATE TABLE %I.%I (LIKE %I.%I INCLUDING ALL EXCLUDING INDEXES)', $3::text, relname, $2, relname)
        || coalesce(' WITH (' || array_to_string(reloptions, ', ') || ')', '') AS sql
    FROM live
    UNION ALL
    SELECT 2, format('ALTER TABLE %I.%I OWNER TO %I', $3, relname, pg_get_userbyid(relowner))
    FROM live
    UNION ALL
    SELECT 3, format('GRANT %s ON %I.%I TO %s', acl.privilege_type, $3, relname,
        CASE acl.grantee WHEN 0 THEN 'PUBLIC' ELSE quote_ident(pg_get_userbyid(acl.grantee)) END)
    FROM live, aclexplode(live.relacl) acl
    WHERE acl.grantee <> live.relowner
) steps
ORDER BY step, sql
