-- Edges.
-- $1 position  $2 number  $3 from_code  $4 to_code  $5 occurred_at  $6 mass_mg  $7 ingredient, an array each
INSERT INTO edges (position, number, from_code, to_code, occurred_at, mass_mg, ingredient)
SELECT * FROM unnest($1::bigint[], $2::int[], $3::text[], $4::text[], $5::timestamptz[], $6::bigint[], $7::text[])
