-- Open lines of designs, ingredients or formulas, each at one place.
-- $1 places  $2 subjects, one to each place
SELECT s.code, s.place, s.grade, s.unreleased, s.subject, s.site, s.amount, s.held, s.date_kind, s.date, s.ends_by,
    s.discard_by, s.piece_mg, s.arrived_at, s.counted_at, s.last_at
FROM unnest($1::text[], $2::text[]) AS asked (place, subject)
JOIN stock s ON s.place = asked.place AND s.subject = asked.subject
WHERE s.open
