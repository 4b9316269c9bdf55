-- Every line of stock of what the codes went into.
SELECT s.code, s.place, s.grade, s.unreleased, s.subject, s.site, s.amount, s.held, s.date_kind, s.date, s.ends_by,
    s.discard_by, s.piece_mg, s.arrived_at, s.counted_at
FROM (SELECT DISTINCT code FROM walk) w
JOIN stock s USING (code)
