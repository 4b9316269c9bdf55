-- What each code went into.
SELECT DISTINCT root, code
FROM walk
WHERE code <> root
