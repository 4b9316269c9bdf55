-- The codes of what stood on a day, by the book as it stands, from a code on in the order of codes.
-- $1 day (UTC)  $2 place, '' for all  $3 places, NULL for all  $4 kinds of thing
-- $5 to $8 the code from which on: day, sequence, part, code  $9 how many
SELECT t.code
FROM (
    SELECT code, place FROM stock WHERE stood @> $1::date AND grade <> '' AND NOT unreleased
    UNION
    SELECT code, place FROM stock WHERE stood @> $1::date AND (grade = '' OR unreleased)
) s
JOIN things t USING (code)
WHERE ($2::text = '' OR s.place = $2)
    AND ($3::text[] IS NULL OR s.place = ANY ($3))
    AND t.kind = ANY ($4::text[])
    AND (t.day, t.sequence, t.part, t.code) >= ($5::int, $6::int, $7::int, $8::text)
GROUP BY t.code
ORDER BY t.day, t.sequence, t.part, t.code
LIMIT $9
