-- Open lines of designs, ingredients or formulas, wherever they stand.
-- $1 subjects
SELECT s.code, s.place, s.grade, s.unreleased, s.subject, s.site, s.amount, s.held, s.date_kind, s.date, s.ends_by,
    s.discard_by, s.piece_mg, s.arrived_at, s.counted_at, s.last_at
FROM stock s
WHERE s.open AND s.subject = ANY ($1::text[])
