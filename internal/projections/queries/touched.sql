-- Which things some events touched where: every line of stock that they moved, and of what they concern without moving
-- it (a hold, a new date) the places where it stands now. Whatever stood elsewhere and is gone has moved since.
-- $1 positions  $2 codes that the events concern, one to each position  $3 the first and $4 the last position
WITH moved AS (
    SELECT DISTINCT position, place, code
    FROM movements
    WHERE position BETWEEN $3 AND $4
)
SELECT position, place, code FROM moved
UNION
SELECT e.position, s.place, e.code
FROM unnest($1::bigint[], $2::text[]) AS e (position, code)
JOIN stock s ON s.code = e.code AND s.open
WHERE NOT EXISTS (SELECT FROM moved m WHERE m.position = e.position AND m.code = e.code)
ORDER BY position, place, code
