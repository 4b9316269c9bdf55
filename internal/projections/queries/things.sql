-- One page of the things of a kind, in code order.
-- $1 kind  $2 site, '' for all  $3 subject, '' for all  $4 $5 $6 day, sequence and part of the code after which the
-- page starts  $7 how many  $8 whether without parts  $9 places of the site: what stands or stood there is in it too
SELECT code, position, state
FROM things
WHERE kind = $1
    AND ($2::text = '' OR site = $2 OR EXISTS (
        SELECT FROM things kin JOIN stock s USING (code)
        WHERE kin.kind = things.kind AND kin.day = things.day AND kin.sequence = things.sequence
            AND (kin.part = things.part OR things.part = 0) AND s.place = ANY ($9::text[])
    ))
    AND ($3::text = '' OR subject = $3)
    AND (day, sequence, part) > ($4::int, $5::int, $6::int)
    AND NOT ($8::boolean AND part > 0)
ORDER BY day, sequence, part
LIMIT $7
