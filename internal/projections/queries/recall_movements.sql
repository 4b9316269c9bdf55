-- Every movement of some things; of sales who bought what, and when. In no order: there may be very many.
-- $1 codes
SELECT code, cause, grade, delta,
    CASE WHEN cause = 'sold' THEN event END AS event, position, number, occurred_at, place, channel, buyer, reference, how, subject
FROM movements
WHERE code = ANY ($1::text[])
