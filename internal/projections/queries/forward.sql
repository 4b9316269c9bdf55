-- Walks from codes to everything that they went into, edge by edge, and keeps the order of time: what left a tank before
-- the thing asked about came into it does not lead on. What is made at once is in whatever came of it: there what was written
-- down before leads on too, also where the times contradict that because one of the two was corrected; and what pieces get is
-- theirs in their boxes. (workshop.WalkForward is the same over edges in memory.)
-- Of what a round reached the earliest moment and the first position lead on; later ones lead nowhere that these do not. A row
-- is an edge, so that none is read twice for the walk and for what is told of it.
-- Unfilled shells that are melted again (run to charge, with a mass) carry what the shells were cast of, and
-- nothing that the run got otherwise: in_shells says that what is followed may be in the shells.
-- How many codes there are, and which, is hidden from the planner, so that it takes one plan for all; OFFSET keeps it from
-- any but one look into the index for each thing reached. A position with a number is one whole number: an event has fewer than
-- a million edges.
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
        SELECT DISTINCT ON (to_code, in_shells, root) root, to_code, in_shells, occurred_at, position, number,
            min(position << 20 | number) OVER made AS written,
            CASE WHEN to_code LIKE 'C%' THEN occurred_at ELSE '-infinity' END AS since
        FROM (
            SELECT *, from_code LIKE 'C%' AS in_shells
            FROM walk
        ) reached
        WINDOW made AS (
            PARTITION BY to_code, in_shells, root ORDER BY occurred_at, position, number
            ROWS BETWEEN UNBOUNDED PRECEDING AND UNBOUNDED FOLLOWING
        )
        ORDER BY to_code, in_shells, root, occurred_at, position, number
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
