-- Walks from one code to everything that it went into, as forward.sql does from several: a walk that need not say of each edge
-- from which of them it was reached takes four fifths of the time.
-- $1 code
WITH RECURSIVE asked (code) AS MATERIALIZED (
    SELECT $1::text COLLATE "C"
),
walk AS (
    SELECT e.position, e.number, e.from_code, e.to_code, e.occurred_at, e.mass_mg, e.ingredient
    FROM asked a
    JOIN edges e ON e.from_code = a.code
    UNION
    SELECT e.*
    FROM (
        SELECT DISTINCT ON (to_code, in_shells) to_code, in_shells, occurred_at, position, number,
            min(position << 20 | number) OVER made AS written,
            CASE WHEN to_code LIKE 'C%' THEN occurred_at ELSE '-infinity' END AS since
        FROM (
            SELECT *, from_code LIKE 'C%' AS in_shells
            FROM walk
        ) reached
        WINDOW made AS (
            PARTITION BY to_code, in_shells ORDER BY occurred_at, position, number
            ROWS BETWEEN UNBOUNDED PRECEDING AND UNBOUNDED FOLLOWING
        )
        ORDER BY to_code, in_shells, occurred_at, position, number
    ) w
    CROSS JOIN LATERAL (
        SELECT e.position, e.number, e.from_code, e.to_code, e.occurred_at, e.mass_mg, e.ingredient
        FROM edges e
        WHERE e.from_code = w.to_code AND e.occurred_at >= w.since
            AND (
                (e.occurred_at, e.position, e.number) > (w.occurred_at, w.position, w.number)
                OR e.from_code NOT LIKE 'C%' AND (e.to_code LIKE 'B%' OR e.position << 20 | e.number > w.written)
            )
            AND (w.in_shells OR e.mass_mg = 0 OR e.from_code NOT LIKE 'R%' OR e.to_code NOT LIKE 'C%')
        OFFSET 0
    ) e
),
reached (code) AS (
    SELECT code FROM asked
    UNION ALL
    SELECT to_code FROM walk
)
