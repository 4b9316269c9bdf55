-- Which of some things anything ever held, or any correction touched. OFFSET keeps the planner from any but one look into an
-- index for each.
-- $1 codes
SELECT asked.code
FROM unnest((SELECT $1::text[])) AS asked (code)
WHERE EXISTS (SELECT FROM things t WHERE t.code = asked.code COLLATE "C" AND t.state ? 'holds')
    OR EXISTS (
        SELECT
        FROM (SELECT c.position FROM event_codes c WHERE c.code = asked.code COLLATE "C" OFFSET 0) c
        CROSS JOIN LATERAL (SELECT l.type FROM log l WHERE l.position = c.position OFFSET 0) l
        WHERE l.type IN ('hold_placed', 'hold_lifted', 'command_corrected')
    )
