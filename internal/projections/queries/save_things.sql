-- Things made or changed. A code, its numbers and the event that made it known never change.
-- $1 code  $2 kind  $3 day  $4 sequence  $5 part  $6 subject  $7 site  $8 occurred_at  $9 position  $10 unfinished
-- $11 supplier  $12 supplier_lot  $13 state, an array each
INSERT INTO things (code, kind, day, sequence, part, subject, site, occurred_at, position, unfinished, supplier, supplier_lot, state)
SELECT unnest($1::text[]), unnest($2::text[]), unnest($3::int[]), unnest($4::int[]), unnest($5::int[]),
    unnest($6::text[]), unnest($7::text[]), unnest($8::timestamptz[]), unnest($9::bigint[]), unnest($10::boolean[]),
    unnest($11::text[]), unnest($12::text[]), unnest($13::jsonb[])
ON CONFLICT (code) DO UPDATE SET
    subject = excluded.subject,
    site = excluded.site,
    occurred_at = excluded.occurred_at,
    unfinished = excluded.unfinished,
    supplier = excluded.supplier,
    supplier_lot = excluded.supplier_lot,
    state = excluded.state
