-- The events up to a position that concern some things or their parts and are not known yet, in the order of positions.
-- $1 and $2 where the codes of a whole and its parts begin and end in their order, one to each  $3 position
-- $4 positions that are known
SELECT l.canonical
FROM (
    SELECT DISTINCT c.position
    FROM unnest($1::text[], $2::text[]) AS asked (low, high)
    JOIN event_codes c ON c.code >= asked.low AND c.code < asked.high
    WHERE c.position <= $3 AND c.position <> ALL ($4::bigint[])
) concerns
JOIN log l USING (position)
ORDER BY l.position
