-- Every edge of a walk, and every thing on it with the asked one itself: a thing has no number, and only a thing has a
-- supplier. In no order.
SELECT position, number, occurred_at, from_code AS code, to_code AS other, mass_mg, ingredient AS subject, NULL AS supplier, NULL AS supplier_lot
FROM walk
UNION ALL
SELECT position, NULL, occurred_at, code, NULL, NULL, subject, supplier, supplier_lot
FROM things
WHERE code = ANY (ARRAY(SELECT code FROM reached))
