-- Lines of stock opened or changed.
-- $1 code  $2 place  $3 grade  $4 unreleased  $5 subject  $6 site  $7 amount  $8 held  $9 date_kind  $10 date
-- $11 ends_by  $12 discard_by  $13 piece_mg  $14 arrived_at  $15 counted_at  $16 last_at, an array each
INSERT INTO stock (code, place, grade, unreleased, subject, site, amount, held, date_kind, date, ends_by, discard_by,
    piece_mg, arrived_at, counted_at, last_at)
SELECT unnest($1::text[]), unnest($2::text[]), unnest($3::text[]), unnest($4::boolean[]), unnest($5::text[]),
    unnest($6::text[]), unnest($7::bigint[]), unnest($8::boolean[]), unnest($9::text[]), unnest($10::date[]),
    unnest($11::timestamptz[]), unnest($12::timestamptz[]), unnest($13::bigint[]), unnest($14::timestamptz[]),
    unnest($15::timestamptz[]), unnest($16::timestamptz[])
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
    counted_at = excluded.counted_at,
    last_at = excluded.last_at
