-- The readings of subjects from an instant each on, with the last temperature that was read by then and what was declared
-- since.
-- $1 subjects  $2 instants, one to each subject
SELECT r.position, r.subject, r.began_at, r.ended_at, r.temperature_c, r.failed
FROM unnest($1::text[], $2::timestamptz[]) AS asked (subject, at)
CROSS JOIN LATERAL (
    SELECT coalesce(max(last.ended_at), '-infinity') AS at
    FROM (
        SELECT b.ended_at
        FROM readings b
        WHERE b.subject = asked.subject AND b.ended_at <= asked.at AND NOT b.failed
        ORDER BY b.ended_at DESC
        LIMIT 1
    ) last
) since
JOIN readings r ON r.subject = asked.subject AND r.ended_at >= since.at
