-- What was discarded on the days from one to another, both included, in sums by reason, design or place. By
-- design, what is not pieces stands under its ingredient or formula, and chocolate out of a vat under the vat; a box
-- is the pieces in it. What people ate or was used is no waste and stands apart.
-- $1 first day  $2 last day  $3 reason, design or place  $4 the reasons that are no waste  $5 places, NULL for all
WITH gone AS (
    SELECT m.position, m.reason, m.place, coalesce(c.design, m.subject) AS subject, m.grade,
        m.delta * coalesce(c.pieces, 1) AS delta, coalesce(abs(m.delta) * c.mass_mg, m.weight_mg) AS weight_mg
    FROM movements m
    LEFT JOIN LATERAL (
        SELECT c.design, c.pieces, (c.pieces * c.piece_g * 1000)::bigint AS mass_mg
        FROM things t
        CROSS JOIN jsonb_to_recordset(t.state -> 'contents') AS c (design text, pieces bigint, piece_g numeric)
        WHERE m.code LIKE 'B%' AND t.code = m.code
    ) c ON true
    WHERE m.cause = 'discarded' AND m.day BETWEEN $1 AND $2 AND ($5::text[] IS NULL OR m.place = ANY ($5))
)
SELECT CASE $3::text
        WHEN 'reason' THEN reason
        WHEN 'place' THEN place
        WHEN 'design' THEN CASE subject WHEN '' THEN place ELSE subject END
    END AS key,
    NOT reason = ANY ($4::text[]) AS waste,
    coalesce(-sum(delta) FILTER (WHERE grade <> ''), 0)::bigint AS pieces,
    coalesce(sum(weight_mg * -sign(delta)), 0)::bigint AS mass_mg,
    count(DISTINCT position)::bigint AS times
FROM gone
GROUP BY key, waste
ORDER BY mass_mg DESC, key, waste
