-- One page of the newest versions of the definitions of a kind, by slug, with what is kept outside the log about who
-- stands behind them.
-- $1 kind  $2 slug after which the page starts  $3 how many  $4 site that the definition names, '' for all
SELECT newest.slug, newest.version, newest.recorded_at, newest.body, coalesce(p.name, '') AS name,
    coalesce(p.address, '') AS address, coalesce(p.contact, '') AS contact, p.erased_at IS NOT NULL AS erased
FROM (
    SELECT DISTINCT ON (slug) slug, version, recorded_at, body
    FROM definitions
    WHERE kind = $1 AND slug > $2
    ORDER BY slug, version DESC
) newest
LEFT JOIN people p ON p.id = (newest.body ->> 'person')::uuid
WHERE $4::text = '' OR newest.body ->> 'site' = $4
ORDER BY newest.slug
LIMIT $3
