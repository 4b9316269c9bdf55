-- What a place sold loose of some designs on some days, as it was known at a position; and of each the last day before these on
-- which it had sold any (a row without pieces). Runs of which something else was recorded since are left to the caller.
-- $1 place  $2 designs  $3 first day  $4 the day after the last  $5 position
-- $6 and $7 where the codes of the runs that are left out begin and end, with their parts, one to each
SELECT m.subject, m.day, -sum(m.delta)::bigint AS pieces
FROM movements m
WHERE m.day >= $3::date AND m.day < $4::date AND m.place = $1 AND m.subject = ANY ($2::text[]) AND m.cause = 'sold' AND m.code LIKE 'R%'
    AND m.position <= $5
    AND NOT EXISTS (SELECT FROM unnest($6::text[], $7::text[]) AS apart (low, high) WHERE m.code >= apart.low AND m.code < apart.high)
GROUP BY m.subject, m.day
UNION ALL
SELECT wanted.subject, since.day, 0
FROM unnest($2::text[]) AS wanted (subject)
CROSS JOIN LATERAL (
    SELECT s.day
    FROM daily_sales s
    WHERE s.place = $1 AND s.subject = wanted.subject COLLATE "C" AND s.day < $3::date
        AND EXISTS (
            SELECT FROM movements m
            WHERE m.day = s.day AND m.place = $1 AND m.subject = s.subject AND m.cause = 'sold' AND m.code LIKE 'R%' AND m.position <= $5
                AND NOT EXISTS (SELECT FROM unnest($6::text[], $7::text[]) AS apart (low, high) WHERE m.code >= apart.low AND m.code < apart.high)
        )
    ORDER BY s.day DESC
    LIMIT 1
) since
