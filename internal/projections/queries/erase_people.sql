-- Takes away for ever what identifies some versions of suppliers or buyers.
-- $1 ids  $2 when
UPDATE people SET name = NULL, address = NULL, contact = NULL, erased_at = $2
WHERE id = ANY($1) AND erased_at IS NULL
