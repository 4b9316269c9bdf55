-- Every sale of some runs, boxes and parts. In no order: there may be very many.
-- $1 codes
SELECT m.event, m.position, m.number, m.occurred_at, m.code, -m.delta AS pieces, m.place, m.channel, m.buyer, m.reference, m.how
FROM movements m
WHERE m.code = ANY ($1::text[]) AND m.cause = 'sold'
