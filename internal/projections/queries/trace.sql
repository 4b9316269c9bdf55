-- Every edge of a walk, and every thing on it with the asked one itself: of an edge kind is '', code and other are what
-- it leads from and to; of a thing other is the whole that a part is of. In no order.
-- A state is opened only where it says something: it is the larger part of a row.
SELECT '' AS kind, position, number, occurred_at, from_code AS code, to_code AS other, mass_mg, ingredient AS subject,
    '' AS site, '' AS supplier, '' AS supplier_lot
FROM walk
UNION ALL
SELECT t.*
FROM reached r
CROSS JOIN LATERAL (
    SELECT t.kind, t.position, 0, t.occurred_at, t.code, coalesce(CASE WHEN t.part > 0 THEN t.state ->> 'of' END, ''), 0, t.subject,
        t.site, coalesce(CASE WHEN t.kind = 'lot' THEN t.state ->> 'supplier' END, ''),
        coalesce(CASE WHEN t.kind = 'lot' THEN t.state ->> 'supplier_lot' END, '')
    FROM things t
    WHERE t.code = r.code
    OFFSET 0
) t
