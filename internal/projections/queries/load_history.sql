-- Every event that concerns some things or their parts, one row for each thing that it concerns.
-- $1 codes of wholes  $2 and $3 where the codes of a whole and its parts begin and end in their order, one to each
SELECT DISTINCT asked.whole, l.position, l.canonical
FROM unnest($1::text[], $2::text[], $3::text[]) AS asked (whole, low, high)
JOIN event_codes c ON c.code >= asked.low AND c.code < asked.high
JOIN log l ON l.position = c.position
ORDER BY l.position
