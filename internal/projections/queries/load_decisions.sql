-- Every decision about some deviations, in the order of the log.
-- $1 ids of deviations
SELECT l.canonical
FROM log l
WHERE l.type = 'deviation_decided'
    AND EXISTS (SELECT FROM unnest($1::uuid[]) AS asked (id) WHERE l.canonical LIKE '%"' || asked.id || '"%')
ORDER BY l.position
