-- The lines of stock of things and of their parts.
-- $1 codes  $2 whether closed lines too
SELECT s.code, s.place, s.grade, s.unreleased, s.subject, s.site, s.amount, s.held, s.date_kind, s.date, s.ends_by,
    s.discard_by, s.piece_mg, s.arrived_at, s.counted_at, s.last_at, t.code AS of
FROM things t
JOIN things kin ON kin.kind = t.kind AND kin.day = t.day AND kin.sequence = t.sequence AND (kin.code = t.code OR t.part = 0)
JOIN stock s ON s.code = kin.code
WHERE t.code = ANY ($1::text[]) AND (s.open OR $2)
ORDER BY kin.part, s.place, s.grade, s.unreleased
