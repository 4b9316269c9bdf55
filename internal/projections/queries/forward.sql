-- Walks from codes to everything that they went into, and keeps the order of time: what left a thing before the
-- thing asked about came into it does not lead on. One row a code and round, with the earliest moment at which
-- it was reached there; a later one leads nowhere that an earlier one does not.
-- Unfilled shells that are melted again (run to charge, with a mass) carry what the shells were cast of, and
-- nothing that the run got otherwise: in_shells says that what is followed may be in the shells.
-- $1 codes  $2 from which instant on, one to each code; those without one from the beginning
WITH RECURSIVE walk (root, code, occurred_at, position, number, in_shells) AS (
    SELECT root COLLATE "C", root COLLATE "C", coalesce(since, '-infinity'), 0::bigint, 0, true
    FROM unnest($1::text[], $2::timestamptz[]) AS asked (root, since)
    UNION
    (
        SELECT DISTINCT ON (w.root, e.to_code, e.from_code LIKE 'C%')
            w.root, e.to_code, e.occurred_at, e.position, e.number, e.from_code LIKE 'C%'
        FROM walk w
        JOIN edges e ON e.from_code = w.code
            AND (e.occurred_at, e.position, e.number) > (w.occurred_at, w.position, w.number)
        WHERE w.in_shells OR e.mass_mg = 0 OR e.from_code NOT LIKE 'R%' OR e.to_code NOT LIKE 'C%'
        ORDER BY w.root, e.to_code, e.from_code LIKE 'C%', e.occurred_at, e.position, e.number
    )
)
