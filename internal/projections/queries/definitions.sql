-- One page of the newest versions of the definitions of a kind, by slug.
-- $1 kind  $2 slug after which the page starts  $3 how many
SELECT DISTINCT ON (slug) slug, version, recorded_at, body
FROM definitions
WHERE kind = $1 AND slug > $2
ORDER BY slug, version DESC
LIMIT $3
