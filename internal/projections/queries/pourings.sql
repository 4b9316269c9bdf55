-- Everything that happened to what was in some charges, in the order in which it folds.
-- $1 charges
SELECT charge, position, occurred_at, kind, mass_mg
FROM charge_ops
WHERE charge = ANY ($1::text[])
ORDER BY charge, occurred_at, position, number
