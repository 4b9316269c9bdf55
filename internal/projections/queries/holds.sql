-- One page of the holds, in the order in which they were placed.
-- $1 only open ones  $2 site, '' for all  $3 position after which the page starts  $4 how many
-- $5 places of the site: a hold on what stands there is its too
SELECT position, state
FROM holds
WHERE (open OR NOT $1::boolean)
    AND ($2::text = '' OR state ->> 'site' = $2 OR EXISTS (
        SELECT FROM jsonb_array_elements_text(state -> 'codes') AS held (code)
        JOIN stock s ON s.code = held.code AND s.open AND s.place = ANY ($5::text[])
    ))
    AND position > $3
ORDER BY position
LIMIT $4
