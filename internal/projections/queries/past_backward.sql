-- Walks from codes back to everything that went into them until an instant, edge by edge, as backward.sql does from one, and
-- not less far.
-- $1 codes  $2 instant
WITH RECURSIVE walk AS (
    SELECT e.position, e.number, e.from_code, e.to_code, e.occurred_at, e.mass_mg, e.ingredient
    FROM unnest((SELECT $1::text[])) AS asked (code)
    CROSS JOIN LATERAL (
        SELECT e.*
        FROM edges e
        WHERE e.to_code = asked.code COLLATE "C" AND e.occurred_at <= $2::timestamptz
        OFFSET 0
    ) e
    UNION
    SELECT e.*
    FROM (
        SELECT DISTINCT ON (from_code) from_code, occurred_at, position, number,
            CASE WHEN from_code LIKE 'C%' THEN occurred_at ELSE $2::timestamptz END AS until
        FROM walk
        ORDER BY from_code, occurred_at DESC, position DESC, number DESC
    ) w
    CROSS JOIN LATERAL (
        SELECT e.position, e.number, e.from_code, e.to_code, e.occurred_at, e.mass_mg, e.ingredient
        FROM edges e
        WHERE e.to_code = w.from_code AND e.occurred_at <= w.until
            AND (w.from_code NOT LIKE 'C%' OR (e.occurred_at, e.position, e.number) < (w.occurred_at, w.position, w.number))
        OFFSET 0
    ) e
)
SELECT position, number, from_code, to_code, occurred_at, mass_mg, ingredient FROM walk
