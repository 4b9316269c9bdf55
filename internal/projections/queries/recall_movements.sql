-- Every movement of some things; of sales who bought what, and when, and of the others only what moved. In no order: there may
-- be very many.
-- $1 codes
SELECT code, delta, CASE WHEN NOT sold THEN cause END AS cause, CASE WHEN NOT sold THEN grade END AS grade,
    CASE WHEN sold THEN event END AS event, CASE WHEN sold THEN position END AS position, CASE WHEN sold THEN number END AS number,
    CASE WHEN sold THEN occurred_at END AS occurred_at, CASE WHEN sold THEN place END AS place, CASE WHEN sold THEN channel END AS channel,
    CASE WHEN sold THEN buyer END AS buyer, CASE WHEN sold THEN reference END AS reference, CASE WHEN sold THEN how END AS how
FROM (
    SELECT *, cause = 'sold' AS sold
    FROM movements
    WHERE code = ANY ($1::text[])
    OFFSET 0
) m
