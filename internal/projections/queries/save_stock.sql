-- Lines of stock opened or changed.
-- $1 code  $2 place  $3 grade  $4 unreleased  $5 subject  $6 site  $7 amount  $8 held  $9 date_kind  $10 date
-- $11 ends_by  $12 discard_by  $13 piece_mg  $14 arrived_at  $15 counted_at, an array each
INSERT INTO stock (code, place, grade, unreleased, subject, site, amount, held, date_kind, date, ends_by, discard_by,
    piece_mg, arrived_at, counted_at)
SELECT * FROM unnest($1::text[], $2::text[], $3::text[], $4::boolean[], $5::text[], $6::text[], $7::bigint[],
    $8::boolean[], $9::text[], $10::date[], $11::timestamptz[], $12::timestamptz[], $13::bigint[], $14::timestamptz[],
    $15::timestamptz[])
ON CONFLICT (code, place, grade, unreleased) DO UPDATE SET
    subject = excluded.subject,
    site = excluded.site,
    amount = excluded.amount,
    held = excluded.held,
    date_kind = excluded.date_kind,
    date = excluded.date,
    ends_by = excluded.ends_by,
    discard_by = excluded.discard_by,
    piece_mg = excluded.piece_mg,
    arrived_at = excluded.arrived_at,
    counted_at = excluded.counted_at
