-- Walks from a code back to everything that went into it, edge by edge, and keeps the order of time: what came into a
-- tank after it had been drawn from is not in what was drawn. The mirror of forward.sql: of what a round reached, the
-- latest moment and the last position lead on; one reached again later leads on to what came in between. Of a run of which
-- shells were melted again (run to charge, with a mass) only what it was cast of leads on.
-- $1 code
WITH RECURSIVE asked (code) AS MATERIALIZED (
    SELECT $1::text COLLATE "C"
),
walk AS (
    SELECT e.position, e.number, e.from_code, e.to_code, e.occurred_at, e.mass_mg, e.ingredient
    FROM asked a
    JOIN edges e ON e.to_code = a.code
    UNION
    SELECT e.*
    FROM (
        SELECT DISTINCT ON (from_code, shells) from_code, shells, occurred_at, position, number,
            max(position << 20 | number) OVER made AS written,
            bool_or(to_code LIKE 'B%') OVER made AS boxed,
            CASE WHEN from_code LIKE 'C%' THEN occurred_at ELSE 'infinity' END AS until
        FROM (
            SELECT *, from_code LIKE 'R%' AND to_code LIKE 'C%' AND mass_mg > 0 AS shells
            FROM walk
        ) reached
        WINDOW made AS (
            PARTITION BY from_code, shells ORDER BY occurred_at DESC, position DESC, number DESC
            ROWS BETWEEN UNBOUNDED PRECEDING AND UNBOUNDED FOLLOWING
        )
        ORDER BY from_code, shells, occurred_at DESC, position DESC, number DESC
    ) w
    CROSS JOIN LATERAL (
        SELECT e.position, e.number, e.from_code, e.to_code, e.occurred_at, e.mass_mg, e.ingredient
        FROM edges e
        WHERE e.to_code = w.from_code AND e.occurred_at <= w.until
            AND (
                (e.occurred_at, e.position, e.number) < (w.occurred_at, w.position, w.number)
                OR w.from_code NOT LIKE 'C%' AND (w.boxed OR e.position << 20 | e.number < w.written)
            )
            AND (NOT w.shells OR e.from_code LIKE 'C%')
        OFFSET 0
    ) e
),
reached (code) AS (
    SELECT code FROM asked
    UNION ALL
    SELECT from_code FROM walk
)
