-- Some things as they stand.
-- $1 codes
SELECT code, state
FROM things
WHERE code = ANY ($1::text[])
