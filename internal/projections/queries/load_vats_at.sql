-- The charges of vats that had not ended at an instant each.
-- $1 slugs  $2 instants, one to each slug
SELECT t.code, t.state
FROM unnest($1::text[], $2::timestamptz[]) AS asked (slug, at)
JOIN things t ON t.kind = 'charge' AND t.subject = asked.slug
WHERE t.unfinished OR (t.state ->> 'ended_at')::timestamptz > asked.at
