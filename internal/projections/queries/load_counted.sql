-- Lines of designs, ingredients or formulas, each at one place, that were counted after an instant; closed ones too.
-- $1 places  $2 subjects  $3 instants, one of each to each place
SELECT s.code, s.place, s.grade, s.unreleased, s.subject, s.site, s.amount, s.held, s.date_kind, s.date, s.ends_by,
    s.discard_by, s.piece_mg, s.arrived_at, s.counted_at, s.last_at
FROM unnest($1::text[], $2::text[], $3::timestamptz[]) AS asked (place, subject, at)
JOIN stock s ON s.place = asked.place AND s.subject = asked.subject AND s.counted_at > asked.at
