-- The things of wanted.
SELECT code, state
FROM things
WHERE code = ANY (ARRAY(SELECT code FROM wanted))
