-- The released pieces and the boxes that stand at a place, with what a board says of them. A state is taken apart once: it is
-- stored compressed.
-- $1 place
SELECT s.code, s.place, s.grade, s.unreleased, s.subject, s.site, s.amount, s.held, s.date_kind, s.date, s.ends_by,
    s.discard_by, s.piece_mg, s.arrived_at, s.counted_at, s.last_at, state.allergens, state.expiry,
    coalesce(state.name, '') AS name, state.contents
FROM stock s
JOIN things t USING (code)
CROSS JOIN LATERAL jsonb_to_record(t.state) AS state (allergens jsonb, expiry jsonb, name text, contents jsonb)
WHERE s.open AND s.place = $1 AND s.grade <> '' AND NOT s.unreleased
