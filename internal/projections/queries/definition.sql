-- One version of a definition, the newest if none is named, with what is kept outside the log about who stands behind it.
-- $1 kind  $2 slug  $3 version, 0 for the newest
SELECT d.slug, d.version, d.recorded_at, d.body, coalesce(p.name, '') AS name,
    coalesce(p.address, '') AS address, coalesce(p.contact, '') AS contact, p.erased_at IS NOT NULL AS erased
FROM definitions d
LEFT JOIN people p ON p.id = (d.body ->> 'person')::uuid
WHERE d.kind = $1 AND d.slug = $2 AND ($3::int = 0 OR d.version = $3)
ORDER BY d.version DESC
LIMIT 1
