-- What stands now, and what came and went since a day, by kind (the letter of the codes) and subject: the last rows of a
-- period are told from those after it. Rows of what stands have no cause.
-- $1 first day  $2 last day  $3 places, NULL for all
SELECT left(code, 1) AS letter, CASE WHEN subject = '' THEN place ELSE subject END AS subject, '' AS cause, false AS after,
    coalesce(sum(amount) FILTER (WHERE grade <> ''), 0)::bigint AS pieces_came, 0::bigint AS pieces_went,
    sum(CASE WHEN grade = '' THEN amount ELSE amount * piece_mg END)::bigint AS mass_came, 0::bigint AS mass_went
FROM stock
WHERE open AND ($3::text[] IS NULL OR place = ANY ($3))
GROUP BY 1, 2
UNION ALL
SELECT left(code, 1), CASE WHEN subject = '' THEN place ELSE subject END, cause, day > $2::date,
    coalesce(sum(delta) FILTER (WHERE grade <> '' AND delta > 0), 0)::bigint,
    coalesce(-sum(delta) FILTER (WHERE grade <> '' AND delta < 0), 0)::bigint,
    coalesce(sum(weight_mg) FILTER (WHERE delta > 0), 0)::bigint,
    coalesce(sum(weight_mg) FILTER (WHERE delta < 0), 0)::bigint
FROM movements
WHERE day >= $1::date AND ($3::text[] IS NULL OR place = ANY ($3))
GROUP BY 1, 2, 3, 4
ORDER BY 1, 2, 4, 3
