-- Edges that a correction takes out.
-- $1 positions  $2 numbers
DELETE FROM edges
WHERE (position, number) IN (SELECT unnest($1::bigint[]), unnest($2::int[]))
