-- Every version of every definition in the order of the log, each with what is kept outside the log about who stands behind it.
SELECT d.kind, d.slug, d.version, d.position, d.recorded_at, d.body, coalesce(p.name, '') AS name,
    coalesce(p.address, '') AS address, coalesce(p.contact, '') AS contact, p.erased_at IS NOT NULL AS erased
FROM definitions d
LEFT JOIN people p ON p.id = (d.body ->> 'person')::uuid
ORDER BY d.position
