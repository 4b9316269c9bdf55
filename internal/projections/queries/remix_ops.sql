-- Everything that happened in the charges that were reached.
SELECT position, number, charge, occurred_at, kind, mass_mg, other, use, mix
FROM charge_ops
WHERE charge = ANY (ARRAY(SELECT code FROM reached WHERE code LIKE 'C%'))
