-- Walks from codes to everything that they went into, edge by edge, and keeps the order of time: what left a thing before
-- the thing asked about came into it does not lead on. Of what a round reached the earliest moment leads on; a later one
-- leads nowhere that an earlier one does not. A row is an edge, so that none is read twice for the walk and for what is
-- told of it.
-- Unfilled shells that are melted again (run to charge, with a mass) carry what the shells were cast of, and
-- nothing that the run got otherwise: in_shells says that what is followed may be in the shells.
-- How many codes there are, and which, is hidden from the planner, so that it takes one plan for all; OFFSET keeps it from
-- any but one look into the index for each thing reached.
-- $1 codes  $2 from which instant on, one to each code; those without one from the beginning
WITH RECURSIVE asked (code, since) AS MATERIALIZED (
    SELECT code COLLATE "C", coalesce(since, '-infinity')
    FROM unnest((SELECT $1::text[]), (SELECT $2::timestamptz[])) AS asked (code, since)
),
walk AS (
    SELECT a.code AS root, e.*
    FROM asked a
    CROSS JOIN LATERAL (
        SELECT e.position, e.number, e.from_code, e.to_code, e.occurred_at, e.mass_mg, e.ingredient
        FROM edges e
        WHERE e.from_code = a.code AND (e.occurred_at, e.position, e.number) > (a.since, 0, 0)
        OFFSET 0
    ) e
    UNION
    SELECT w.root, e.*
    FROM (
        SELECT DISTINCT ON (to_code, in_shells, root) root, to_code, in_shells, occurred_at, position, number
        FROM (
            SELECT *, from_code LIKE 'C%' AS in_shells
            FROM walk
        ) reached
        ORDER BY to_code, in_shells, root, occurred_at, position, number
    ) w
    CROSS JOIN LATERAL (
        SELECT e.position, e.number, e.from_code, e.to_code, e.occurred_at, e.mass_mg, e.ingredient
        FROM edges e
        WHERE e.from_code = w.to_code
            AND (e.occurred_at, e.position, e.number) > (w.occurred_at, w.position, w.number)
            AND (w.in_shells OR e.mass_mg = 0 OR e.from_code NOT LIKE 'R%' OR e.to_code NOT LIKE 'C%')
        OFFSET 0
    ) e
),
reached (code) AS (
    SELECT code FROM asked
    UNION ALL
    SELECT to_code FROM walk
)
