-- The last sequence numbers given.
-- $1 kinds  $2 days, one to each kind
SELECT s.kind, s.day, s.last
FROM unnest($1::text[], $2::date[]) AS asked (kind, day)
JOIN sequences s ON s.kind = asked.kind AND s.day = asked.day
