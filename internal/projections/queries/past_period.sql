-- What stands now, and what came and went since a day, as queries/balance_period.sql has it, but with everything that occurred
-- after a moment told as after the period; without some things, which are left to the caller.
-- $1 first day  $2 last day  $3 places, NULL for all  $4 moment  $5 the first day, or if that is earlier the day before the moment
-- $6 how the codes of what is left out begin
SELECT left(code, 1) AS letter, CASE WHEN subject = '' THEN place ELSE subject END AS subject, '' AS cause, false AS after,
    coalesce(sum(amount) FILTER (WHERE grade <> ''), 0)::bigint AS pieces_came, 0::bigint AS pieces_went,
    sum(CASE WHEN grade = '' THEN amount ELSE amount * piece_mg END)::bigint AS mass_came, 0::bigint AS mass_went
FROM stock
WHERE open AND ($3::text[] IS NULL OR place = ANY ($3)) AND substring(code FROM '^[A-Z][0-9]+-[0-9]+') <> ALL ($6::text[])
GROUP BY 1, 2
UNION ALL
SELECT left(code, 1), CASE WHEN subject = '' THEN place ELSE subject END, cause, day > $2::date OR occurred_at > $4::timestamptz,
    coalesce(sum(delta) FILTER (WHERE grade <> '' AND delta > 0), 0)::bigint,
    coalesce(-sum(delta) FILTER (WHERE grade <> '' AND delta < 0), 0)::bigint,
    coalesce(sum(weight_mg) FILTER (WHERE delta > 0), 0)::bigint,
    coalesce(sum(weight_mg) FILTER (WHERE delta < 0), 0)::bigint
FROM movements
WHERE day >= $5::date AND (day >= $1::date OR occurred_at > $4::timestamptz) AND ($3::text[] IS NULL OR place = ANY ($3))
    AND substring(code FROM '^[A-Z][0-9]+-[0-9]+') <> ALL ($6::text[])
GROUP BY 1, 2, 3, 4
ORDER BY 1, 2, 4, 3
