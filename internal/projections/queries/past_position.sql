-- The last position recorded by an instant, 0 before the first: positions are dense and times rise with them, so it is found by
-- halving.
-- $1 instant
WITH RECURSIVE halved (low, high) AS (
    SELECT 0::bigint, position FROM head
    UNION ALL
    SELECT CASE WHEN l.recorded_at <= $1::timestamptz THEN l.position ELSE low END,
        CASE WHEN l.recorded_at <= $1::timestamptz THEN high ELSE l.position - 1 END
    FROM halved
    JOIN log l ON l.position = (low + high + 1) / 2
    WHERE low < high
)
SELECT low FROM halved WHERE low = high
