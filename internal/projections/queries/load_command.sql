-- The command that an event belongs to (named), the one in whose place it counts if it is a correction (root), and every
-- correction of either.
-- $1 id of the event
WITH RECURSIVE named AS (
    SELECT command FROM log WHERE id = $1
),
up (command) AS (
    SELECT command FROM named
    UNION
    SELECT c.corrected FROM up JOIN corrections c USING (command)
),
root AS (
    SELECT u.command FROM up u WHERE NOT EXISTS (SELECT FROM corrections c WHERE c.command = u.command)
),
down (command) AS (
    SELECT command FROM root
    UNION
    SELECT c.command FROM down d JOIN corrections c ON c.corrected = d.command
),
first AS (
    SELECT l.position, l.command, l.command = (SELECT command FROM named) AS is_named, l.command = (SELECT command FROM root) AS is_root
    FROM log l
    WHERE l.id IN (SELECT command FROM named UNION SELECT command FROM root)
),
events AS (
    SELECT e.canonical, e.position, f.is_named, f.is_root, false AS corrects
    FROM first f
    JOIN LATERAL (
        SELECT l.canonical, l.position
        FROM log l
        WHERE l.position >= f.position
            AND l.position < coalesce((
                SELECT n.position FROM log n WHERE n.position > f.position AND n.command <> f.command ORDER BY n.position LIMIT 1
            ), 9223372036854775807)
    ) e ON true
)
SELECT canonical, position, is_named, is_root, corrects FROM events
UNION ALL
SELECT l.canonical, l.position, false, false, true
FROM down d
JOIN corrections c USING (command)
JOIN log l ON l.position = c.position
ORDER BY position, corrects
