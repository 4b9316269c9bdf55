-- What happened to what is in charges.
-- $1 position  $2 number  $3 charge  $4 occurred_at  $5 kind  $6 mass_mg  $7 other  $8 use  $9 mix, an array each
INSERT INTO charge_ops (position, number, charge, occurred_at, kind, mass_mg, other, use, mix)
SELECT unnest($1::bigint[]), unnest($2::int[]), unnest($3::text[]), unnest($4::timestamptz[]), unnest($5::text[]),
    unnest($6::bigint[]), unnest($7::text[]), unnest($8::text[]), unnest($9::jsonb[])
ON CONFLICT (position, number) DO UPDATE SET
    charge = excluded.charge,
    occurred_at = excluded.occurred_at,
    kind = excluded.kind,
    mass_mg = excluded.mass_mg,
    other = excluded.other,
    use = excluded.use,
    mix = excluded.mix
