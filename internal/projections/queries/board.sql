-- The released pieces and the boxes that stand at a place, with what a board says of them.
-- $1 place
SELECT s.code, s.place, s.grade, s.unreleased, s.subject, s.site, s.amount, s.held, s.date_kind, s.date, s.ends_by,
    s.discard_by, s.piece_mg, s.arrived_at, s.counted_at, s.last_at, t.state -> 'allergens' AS allergens, t.state -> 'expiry' AS expiry,
    coalesce(t.state ->> 'name', '') AS name, t.state -> 'contents' AS contents
FROM stock s
JOIN things t USING (code)
WHERE s.open AND s.place = $1 AND s.grade <> '' AND NOT s.unreleased
