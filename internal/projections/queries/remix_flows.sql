-- Where everything that was reached went, but for charges: what happened in them says it.
SELECT e.position, e.number, e.from_code, e.to_code, e.occurred_at, e.mass_mg, e.ingredient
FROM edges e
WHERE e.from_code = ANY (ARRAY(SELECT code FROM reached WHERE code NOT LIKE 'C%'))
