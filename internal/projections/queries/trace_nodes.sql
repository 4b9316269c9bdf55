-- What a trace says of the things on it, in code order.
-- $1 codes
SELECT code, subject, occurred_at, position, supplier, supplier_lot
FROM things
WHERE code = ANY ($1::text[])
ORDER BY day, sequence, part, code
