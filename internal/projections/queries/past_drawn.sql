-- What some events did to what is in charges.
-- $1 positions
SELECT position, number, charge, occurred_at, kind, mass_mg, other, use, mix
FROM charge_ops
WHERE position = ANY ($1::bigint[])
