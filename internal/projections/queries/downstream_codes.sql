-- What each code went into.
SELECT DISTINCT root, to_code AS code
FROM walk
WHERE to_code <> root
