-- Sequence numbers given.
-- $1 kind  $2 day  $3 last, an array each
INSERT INTO sequences (kind, day, last)
SELECT unnest($1::text[]), unnest($2::date[]), unnest($3::int[])
ON CONFLICT (kind, day) DO UPDATE SET last = excluded.last
