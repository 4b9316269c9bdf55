-- Lines at places of which anything moved after an instant each; closed ones too.
-- $1 places  $2 instants, one to each place
SELECT s.code, s.place, s.grade, s.unreleased, s.subject, s.site, s.amount, s.held, s.date_kind, s.date, s.ends_by,
    s.discard_by, s.piece_mg, s.arrived_at, s.counted_at, s.last_at
FROM (
    SELECT DISTINCT m.code, m.place, m.grade, m.unreleased
    FROM unnest($1::text[], $2::timestamptz[]) AS asked (place, at)
    JOIN movements m ON m.place = asked.place AND m.occurred_at > asked.at
) moved
JOIN stock s USING (code, place, grade, unreleased)
