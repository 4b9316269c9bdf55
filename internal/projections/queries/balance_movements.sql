-- What came to and went from a thing and its parts, by cause: pieces or milligrams, and their mass.
-- $1 code
SELECT m.code, m.cause, m.reason, m.grade <> '' AS pieces,
    coalesce(sum(m.delta) FILTER (WHERE m.delta > 0), 0)::bigint AS came,
    coalesce(-sum(m.delta) FILTER (WHERE m.delta < 0), 0)::bigint AS went,
    coalesce(sum(m.weight_mg) FILTER (WHERE m.delta > 0), 0)::bigint AS mass_came,
    coalesce(sum(m.weight_mg) FILTER (WHERE m.delta < 0), 0)::bigint AS mass_went
FROM things t
JOIN things kin ON kin.kind = t.kind AND kin.day = t.day AND kin.sequence = t.sequence AND (kin.code = t.code OR t.part = 0)
JOIN movements m ON m.code = kin.code
WHERE t.code = $1
GROUP BY m.code, m.cause, m.reason, m.grade <> ''
ORDER BY m.code, m.cause, m.reason, m.grade <> ''
