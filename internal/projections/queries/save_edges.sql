-- Edges.
-- $1 position  $2 number  $3 from_code  $4 to_code  $5 occurred_at  $6 mass_mg  $7 ingredient, an array each
INSERT INTO edges (position, number, from_code, to_code, occurred_at, mass_mg, ingredient)
SELECT unnest($1::bigint[]), unnest($2::int[]), unnest($3::text[]), unnest($4::text[]), unnest($5::timestamptz[]),
    unnest($6::bigint[]), unnest($7::text[])
