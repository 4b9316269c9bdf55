-- The contacts kept for some versions of buyers.
-- $1 ids  $2 what stands in the place of one that was erased
SELECT id, CASE WHEN erased_at IS NULL THEN coalesce(contact, '') ELSE $2::text END AS contact
FROM people
WHERE id = ANY($1)
