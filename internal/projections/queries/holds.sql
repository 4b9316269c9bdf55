-- One page of the holds, in the order in which they were placed.
-- $1 only open ones  $2 site, '' for all  $3 position after which the page starts  $4 how many
SELECT position, state
FROM holds
WHERE (open OR NOT $1::boolean)
    AND ($2::text = '' OR state ->> 'site' = $2)
    AND position > $3
ORDER BY position
LIMIT $4
