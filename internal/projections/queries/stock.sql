-- One page of the open lines of stock, by code (date, sequence, part, kind), place, grade, and released first.
-- $1 place, '' for all  $2 kinds of thing, none for all  $3 subject, '' for all
-- $4 to $10 the key of the line after which the page starts: day, sequence, part, code, place, grade, unreleased
-- $11 how many  $12 places, NULL for all
SELECT s.code, s.place, s.grade, s.unreleased, s.subject, s.site, s.amount, s.held, s.date_kind, s.date, s.ends_by,
    s.discard_by, s.piece_mg, s.arrived_at, s.counted_at, s.last_at
FROM stock s
JOIN things t USING (code)
WHERE s.open
    AND ($1::text = '' OR s.place = $1)
    AND (cardinality($2::text[]) = 0 OR t.kind = ANY ($2))
    AND ($3::text = '' OR s.subject = $3)
    AND ($12::text[] IS NULL OR s.place = ANY ($12))
    AND (t.day, t.sequence, t.part, s.code, s.place, s.grade, s.unreleased)
        > ($4::int, $5::int, $6::int, $7::text, $8::text, $9::text, $10::boolean)
ORDER BY t.day, t.sequence, t.part, s.code, s.place, s.grade, s.unreleased
LIMIT $11
