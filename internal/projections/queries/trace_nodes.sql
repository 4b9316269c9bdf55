-- What a trace says of the things on it, in code order.
-- A state is opened only where it says something: it is the larger part of a row.
-- $1 codes
SELECT code, kind, subject, site, occurred_at, position,
    coalesce(CASE WHEN part > 0 THEN state ->> 'of' END, '') AS of,
    coalesce(CASE WHEN kind = 'lot' THEN state ->> 'supplier' END, '') AS supplier,
    coalesce(CASE WHEN kind = 'lot' THEN state ->> 'supplier_lot' END, '') AS supplier_lot
FROM things
WHERE code = ANY ($1::text[])
ORDER BY day, sequence, part, code
