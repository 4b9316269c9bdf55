-- Every line of stock of the things of remixed.
SELECT s.code, s.place, s.grade, s.unreleased, s.subject, s.site, s.amount, s.held, s.date_kind, s.date, s.ends_by,
    s.discard_by, s.piece_mg, s.arrived_at, s.counted_at, s.last_at
FROM stock s
WHERE s.code = ANY (ARRAY(SELECT code FROM remixed))
