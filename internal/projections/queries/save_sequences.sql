-- Sequence numbers given.
-- $1 kind  $2 day  $3 last, an array each
INSERT INTO sequences (kind, day, last)
SELECT * FROM unnest($1::text[], $2::date[], $3::int[])
ON CONFLICT (kind, day) DO UPDATE SET last = excluded.last
