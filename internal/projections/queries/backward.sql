-- Walks from codes back to everything that went into them, and keeps the order of time: what came into a thing
-- after it had been drawn from is not in what was drawn. The mirror of forward.sql: of a code and round the
-- latest moment, and from_shells says that what left the run were shells melted again, so that only what the run
-- was cast of leads on.
-- $1 codes
WITH RECURSIVE walk (root, code, occurred_at, position, number, from_shells) AS (
    SELECT root COLLATE "C", root COLLATE "C", 'infinity'::timestamptz, 0::bigint, 0, false
    FROM unnest($1::text[]) AS asked (root)
    UNION
    (
        SELECT DISTINCT ON (w.root, e.from_code, e.from_code LIKE 'R%' AND e.to_code LIKE 'C%' AND e.mass_mg > 0)
            w.root, e.from_code, e.occurred_at, e.position, e.number,
            e.from_code LIKE 'R%' AND e.to_code LIKE 'C%' AND e.mass_mg > 0
        FROM walk w
        JOIN edges e ON e.to_code = w.code
            AND (e.occurred_at, e.position, e.number) < (w.occurred_at, w.position, w.number)
        WHERE NOT w.from_shells OR e.from_code LIKE 'C%'
        ORDER BY w.root, e.from_code, e.from_code LIKE 'R%' AND e.to_code LIKE 'C%' AND e.mass_mg > 0,
            e.occurred_at DESC, e.position DESC, e.number DESC
    )
)
