-- Walks from a code to everything that it may have gone into, the mirror of backward.sql: what left a tank before any of it was
-- used is left out, and shells that are melted again (run to charge, with a mass) carry on only what may be in the shells.
-- workshop.WalkForward takes out what the order of time does not let it reach.
-- $1 code
WITH RECURSIVE walk (code, since, in_shells) AS (
    SELECT $1::text COLLATE "C", (SELECT min(occurred_at) FROM edges WHERE from_code = $1::text), true
    UNION
    SELECT e.to_code, least(w.since, e.occurred_at), e.from_code LIKE 'C%' OR e.to_code NOT LIKE 'R%'
    FROM walk w
    CROSS JOIN LATERAL (
        SELECT e.from_code, e.to_code, e.occurred_at
        FROM edges e
        WHERE e.from_code = w.code AND e.occurred_at >= CASE WHEN w.code LIKE 'C%' THEN w.since ELSE '-infinity' END
            AND (w.in_shells OR e.to_code NOT LIKE 'C%' OR e.mass_mg = 0)
        OFFSET 0
    ) e
)
-- The rows are as backward.sql tells them.
SELECT e.*
FROM walk w
CROSS JOIN LATERAL (
    SELECT e.position, e.number, e.occurred_at, e.from_code AS code, e.to_code AS other, e.mass_mg, e.ingredient AS subject,
        NULL AS supplier, NULL AS supplier_lot
    FROM edges e
    WHERE e.from_code = w.code AND e.occurred_at >= CASE WHEN w.code LIKE 'C%' THEN w.since ELSE '-infinity' END
        AND (w.in_shells OR e.to_code NOT LIKE 'C%' OR e.mass_mg = 0)
    OFFSET 0
) e
UNION ALL
SELECT position, NULL, occurred_at, code, NULL, NULL, subject, supplier, supplier_lot
FROM things
WHERE code = ANY (ARRAY(SELECT code FROM walk))
