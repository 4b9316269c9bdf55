-- Every edge that leads forward from the code, in the order of time.
SELECT DISTINCT ON (e.occurred_at, e.position, e.number)
    e.position, e.number, e.from_code, e.to_code, e.occurred_at, e.mass_mg, e.ingredient
FROM (
    SELECT DISTINCT ON (code, in_shells) code, in_shells, occurred_at, position, number
    FROM walk
    ORDER BY code, in_shells, occurred_at, position, number
) w
JOIN edges e ON e.from_code = w.code
    AND (e.occurred_at, e.position, e.number) > (w.occurred_at, w.position, w.number)
WHERE w.in_shells OR e.mass_mg = 0 OR e.from_code NOT LIKE 'R%' OR e.to_code NOT LIKE 'C%'
ORDER BY e.occurred_at, e.position, e.number
