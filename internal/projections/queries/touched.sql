-- Which things some events touched where: every line of stock that they moved, and of what they concern without moving
-- it (a hold, a new date) the places where it stands now. Whatever stood elsewhere and is gone has moved since.
-- A correction moves stock at the positions of what it corrects: whatever it concerns is touched wherever it stood.
-- $1 positions  $2 codes that the events concern, one to each position  $3 the first and $4 the last position
-- $5 of each of these whether the event is a correction
WITH moved AS (
    SELECT DISTINCT position, place, code
    FROM movements
    WHERE position BETWEEN $3 AND $4
)
SELECT position, place, code FROM moved
UNION
SELECT e.position, s.place, e.code
FROM unnest($1::bigint[], $2::text[], $5::boolean[]) AS e (position, code, corrects)
JOIN stock s ON s.code = e.code AND (s.open OR e.corrects)
WHERE NOT EXISTS (SELECT FROM moved m WHERE m.position = e.position AND m.code = e.code)
ORDER BY position, place, code
