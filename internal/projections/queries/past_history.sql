-- The events up to a position that concern some things or their parts and are not known yet, in the order of positions.
-- How many things there are and how much concerns each is hidden from the planner, which else reads the whole log beside it;
-- OFFSET keeps it from any but one look into an index for each.
-- $1 and $2 where the codes of a whole and its parts begin and end in their order, one to each  $3 position
-- $4 positions that are known
SELECT l.canonical
FROM (
    SELECT DISTINCT c.position
    FROM unnest((SELECT $1::text[]), (SELECT $2::text[])) AS asked (low, high)
    CROSS JOIN LATERAL (
        SELECT c.position
        FROM event_codes c
        WHERE c.code >= asked.low AND c.code < asked.high AND c.position <= $3
        OFFSET 0
    ) c
    WHERE NOT EXISTS (SELECT FROM unnest((SELECT $4::bigint[])) AS known (position) WHERE known.position = c.position)
) concerns
CROSS JOIN LATERAL (
    SELECT l.position, l.canonical
    FROM log l
    WHERE l.position = concerns.position
    OFFSET 0
) l
ORDER BY l.position
