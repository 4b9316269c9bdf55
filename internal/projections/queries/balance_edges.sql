-- What went into a thing and its parts, and out of them into others, by the other; between itself and its parts
-- nothing is told.
-- $1 code
WITH kin AS (
    SELECT kin.code
    FROM things t
    JOIN things kin ON kin.kind = t.kind AND kin.day = t.day AND kin.sequence = t.sequence AND (kin.code = t.code OR t.part = 0)
    WHERE t.code = $1
)
SELECT from_code, to_code, ingredient, sum(mass_mg)::bigint AS mass_mg, min(occurred_at) AS occurred_at
FROM (
    SELECT e.* FROM edges e JOIN kin ON kin.code = e.to_code WHERE e.from_code NOT IN (SELECT code FROM kin)
    UNION ALL
    SELECT e.* FROM edges e JOIN kin ON kin.code = e.from_code WHERE e.to_code NOT IN (SELECT code FROM kin)
) across
GROUP BY from_code, to_code, ingredient
ORDER BY min(occurred_at), min(position), min(number)
