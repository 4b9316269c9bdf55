-- What was discarded on the days from one to another, both included, in sums by reason, design or place. By
-- design, what is not pieces stands under its ingredient or formula, and chocolate out of a vat under the vat.
-- What people ate or was used is no waste and stands apart.
-- $1 first day  $2 last day  $3 reason, design or place  $4 the reasons that are no waste  $5 places, NULL for all
SELECT CASE $3::text
        WHEN 'reason' THEN reason
        WHEN 'place' THEN place
        WHEN 'design' THEN CASE subject WHEN '' THEN place ELSE subject END
    END AS key,
    NOT reason = ANY ($4::text[]) AS waste,
    coalesce(-sum(delta) FILTER (WHERE grade <> ''), 0)::bigint AS pieces,
    coalesce(sum(weight_mg * -sign(delta)), 0)::bigint AS mass_mg,
    count(DISTINCT position)::bigint AS times
FROM movements
WHERE cause = 'discarded' AND day BETWEEN $1 AND $2 AND ($5::text[] IS NULL OR place = ANY ($5))
GROUP BY key, waste
ORDER BY mass_mg DESC, key, waste
