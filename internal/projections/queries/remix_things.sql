-- The things of remixed.
SELECT t.code, t.state
FROM things t
WHERE t.code = ANY (ARRAY(SELECT code FROM remixed))
