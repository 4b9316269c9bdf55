-- What each code went into.
SELECT w.root, t.code, t.state
FROM (SELECT DISTINCT root, code FROM walk WHERE code <> root) w
JOIN things t USING (code)
