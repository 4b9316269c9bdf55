-- Days on which nothing was sold after all.
-- $1 places  $2 subjects  $3 days
DELETE FROM daily_sales
WHERE pieces = 0 AND (place, subject, day) IN (SELECT unnest($1::text[]), unnest($2::text[]), unnest($3::date[]))
