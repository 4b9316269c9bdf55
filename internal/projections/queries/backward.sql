-- Walks from a code back to everything that may have gone into it. What came into a tank after all that is asked about is left
-- out, and of a run of which shells were melted again (run to charge, with a mass) only what it was cast of is followed.
-- That is never less than what the order of time lets be in it and seldom much more, and workshop.WalkBack takes out what is too
-- much: to keep that order here, each step would have to look at all that led to it. until is the last moment on the way,
-- nearly always the same one; where a correction made times contradict each other a later one leads to more.
-- OFFSET keeps the planner from any but one look into the index for each thing.
-- $1 code
WITH RECURSIVE walk (code, until, shells) AS (
    SELECT $1::text COLLATE "C", (SELECT max(occurred_at) FROM edges WHERE to_code = $1::text), false
    UNION
    SELECT e.from_code, greatest(w.until, e.occurred_at), e.from_code LIKE 'R%' AND e.to_code LIKE 'C%' AND e.mass_mg > 0
    FROM walk w
    CROSS JOIN LATERAL (
        SELECT e.from_code, e.to_code, e.occurred_at, e.mass_mg
        FROM edges e
        WHERE e.to_code = w.code AND e.occurred_at <= CASE WHEN w.code LIKE 'C%' THEN w.until ELSE 'infinity' END
            AND (NOT w.shells OR e.from_code LIKE 'C%')
        OFFSET 0
    ) e
)
-- Every edge to what was walked to, and every thing of it: a thing has no number, and only a thing has a supplier. In no order,
-- and an edge may come twice.
SELECT e.*
FROM walk w
CROSS JOIN LATERAL (
    SELECT e.position, e.number, e.occurred_at, e.from_code AS code, e.to_code AS other, e.mass_mg, e.ingredient AS subject,
        NULL AS supplier, NULL AS supplier_lot
    FROM edges e
    WHERE e.to_code = w.code AND e.occurred_at <= CASE WHEN w.code LIKE 'C%' THEN w.until ELSE 'infinity' END
        AND (NOT w.shells OR e.from_code LIKE 'C%')
    OFFSET 0
) e
UNION ALL
SELECT position, NULL, occurred_at, code, NULL, NULL, subject, supplier, supplier_lot
FROM things
WHERE code = ANY (ARRAY(SELECT code FROM walk))
