-- Every sale of some runs, boxes and parts. In no order: there may be very many.
-- $1 codes
SELECT l.id AS event, m.position, m.number, m.occurred_at, m.code, -m.delta AS pieces, m.place, m.channel, m.buyer, m.reference, m.how
FROM movements m
JOIN log l USING (position)
WHERE m.code = ANY ($1::text[]) AND m.cause = 'sold'
