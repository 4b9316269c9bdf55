-- One page of the deviations, in the order in which they were opened. A deviation is at a place if it is of that
-- place, or of a thing that stands there.
-- $1 only open ones  $2 site, '' for all  $3 place, '' for all  $4 code, '' for all  $5 position after which the page
-- starts  $6 how many  $7 places of the site: a deviation of what stands there is its too
SELECT position, state
FROM deviations d
WHERE (open OR NOT $1::boolean)
    AND ($2::text = '' OR state ->> 'site' = $2
        OR EXISTS (SELECT FROM stock s WHERE s.code = d.code AND s.place = ANY ($7::text[]) AND s.open))
    AND ($3::text = '' OR state ->> 'place' = $3
        OR EXISTS (SELECT FROM stock s WHERE s.code = d.code AND s.place = $3 AND s.open))
    AND ($4::text = '' OR code = $4)
    AND position > $5
ORDER BY position
LIMIT $6
