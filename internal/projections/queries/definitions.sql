-- One page of the newest versions of the definitions of a kind, by slug.
-- $1 kind  $2 slug after which the page starts  $3 how many  $4 site that the definition names, '' for all
SELECT slug, version, recorded_at, body
FROM (
    SELECT DISTINCT ON (slug) slug, version, recorded_at, body
    FROM definitions
    WHERE kind = $1 AND slug > $2
    ORDER BY slug, version DESC
) newest
WHERE $4::text = '' OR body ->> 'site' = $4
ORDER BY slug
LIMIT $3
