-- Who wrote some events down, and when. A film from an event that made several edges is one row.
-- $1 positions
SELECT position, id, actor, occurred_at, recorded_at
FROM log
WHERE position = ANY ($1::bigint[])
