-- Everything that happened to what is in some charges.
-- $1 codes
SELECT position, number, charge, occurred_at, kind, mass_mg, other, use, mix
FROM charge_ops
WHERE charge = ANY ($1::text[])
