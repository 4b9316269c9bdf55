-- One page of the recalls, in the order in which they were opened.
-- $1 only open ones  $2 position after which the page starts  $3 how many
SELECT position, state
FROM recalls
WHERE (open OR NOT $1::boolean) AND position > $2
ORDER BY position
LIMIT $3
