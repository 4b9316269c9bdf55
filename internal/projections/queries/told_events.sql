-- The events of a trace: those at some positions, and those of some types that concern any of some things, once each, in
-- the order of time.
-- $1 positions  $2 codes  $3 types
SELECT l.canonical
FROM (
    SELECT unnest($1::bigint[]) AS position
    UNION
    SELECT c.position
    FROM event_codes c
    JOIN log touched ON touched.position = c.position AND touched.type = ANY ($3::text[])
    WHERE c.code = ANY ($2::text[])
) told
JOIN log l USING (position)
ORDER BY l.occurred_at, l.position
