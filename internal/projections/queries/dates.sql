-- The newest events of some types that concern some codes, newest first.
-- $1 codes  $2 types  $3 how many
SELECT DISTINCT l.position, l.canonical
FROM event_codes c
JOIN log l USING (position)
WHERE c.code = ANY ($1::text[]) AND l.type = ANY ($2::text[])
ORDER BY l.position DESC
LIMIT $3
