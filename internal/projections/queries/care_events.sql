-- What was found of some things, what stood against them and what was decided: the events of these types that concern
-- any of them, once each, in the order of the log.
-- $1 codes  $2 types
SELECT l.canonical
FROM (SELECT DISTINCT c.position FROM event_codes c WHERE c.code = ANY ($1::text[])) touched
JOIN log l USING (position)
WHERE l.type = ANY ($2::text[])
ORDER BY l.position
