-- One version of a definition, the newest if none is named.
-- $1 kind  $2 slug  $3 version, 0 for the newest
SELECT slug, version, recorded_at, body
FROM definitions
WHERE kind = $1 AND slug = $2 AND ($3::int = 0 OR version = $3)
ORDER BY version DESC
LIMIT 1
