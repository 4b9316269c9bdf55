-- Lots by supplier: with one of its lot codes, or received between two instants.
-- $1 suppliers  $2 lot codes, '' for any  $3 from and $4 to which instant, one of each to each supplier
SELECT t.code, t.state
FROM unnest($1::text[], $2::text[], $3::timestamptz[], $4::timestamptz[]) AS asked (supplier, lot, since, until)
JOIN things t ON t.supplier = asked.supplier AND t.supplier_lot = asked.lot AND t.supplier <> '' AND t.part = 0
WHERE asked.lot <> ''
UNION
SELECT t.code, t.state
FROM unnest($1::text[], $2::text[], $3::timestamptz[], $4::timestamptz[]) AS asked (supplier, lot, since, until)
JOIN things t ON t.supplier = asked.supplier AND t.occurred_at >= asked.since AND t.occurred_at < asked.until AND t.supplier <> '' AND t.part = 0
WHERE asked.lot = ''
