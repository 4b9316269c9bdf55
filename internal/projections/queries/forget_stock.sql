-- Lines of stock that were never there.
-- $1 codes  $2 places  $3 grades  $4 unreleased
DELETE FROM stock
WHERE (code, place, grade, unreleased) IN (SELECT unnest($1::text[]), unnest($2::text[]), unnest($3::text[]), unnest($4::boolean[]))
