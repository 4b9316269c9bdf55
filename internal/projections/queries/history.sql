-- The newest events that concern a code, newest first.
-- $1 code  $2 how many
SELECT l.canonical
FROM event_codes c
JOIN log l USING (position)
WHERE c.code = $1
ORDER BY c.position DESC
LIMIT $2
