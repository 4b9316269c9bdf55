-- What a trace says of the things on it, in code order.
-- $1 codes
SELECT code, kind, subject, site, occurred_at, position, coalesce(state ->> 'of', '') AS of,
    coalesce(state ->> 'supplier', '') AS supplier, coalesce(state ->> 'supplier_lot', '') AS supplier_lot
FROM things
WHERE code = ANY ($1::text[])
ORDER BY day, sequence, part, code
