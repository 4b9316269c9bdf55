-- Every edge that leads back from the code, in the order of time.
SELECT DISTINCT ON (e.occurred_at, e.position, e.number)
    e.position, e.number, e.from_code, e.to_code, e.occurred_at, e.mass_mg, e.ingredient
FROM (
    SELECT DISTINCT ON (code, from_shells) code, from_shells, occurred_at, position, number
    FROM walk
    ORDER BY code, from_shells, occurred_at DESC, position DESC, number DESC
) w
JOIN edges e ON e.to_code = w.code
    AND (e.occurred_at, e.position, e.number) < (w.occurred_at, w.position, w.number)
WHERE NOT w.from_shells OR e.from_code LIKE 'C%'
ORDER BY e.occurred_at, e.position, e.number
