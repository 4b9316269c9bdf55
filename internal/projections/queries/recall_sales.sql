-- Every sale of some runs, boxes and parts, in the order of time, with what they are of.
-- $1 codes
SELECT l.id AS event, m.occurred_at, m.code, -m.delta AS pieces, m.place, m.channel, m.buyer, m.reference, m.how, m.subject
FROM movements m
JOIN log l USING (position)
WHERE m.code = ANY ($1::text[]) AND m.cause = 'sold'
ORDER BY m.occurred_at, m.position, m.number
